"""A web server of ours that waits for the sign of life."""

from contextlib import AbstractContextManager

from tests.services.web_server import HANG as HANG
from tests.services.web_server import Handler, WebServer, serving

KEY = "s3cret-key"


class Watcher(WebServer):
    """Takes calls at one address, which holds a key."""

    def __init__(self) -> None:
        super().__init__(_Get)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}/ping/{KEY}"


class _Get(Handler):
    def do_GET(self) -> None:
        self.answer(self.told())


def watching() -> AbstractContextManager[Watcher]:
    """One on a free loopback port."""
    return serving(Watcher())
