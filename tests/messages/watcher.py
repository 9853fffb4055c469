"""A web server of ours that waits for the sign of life."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

KEY = "s3cret-key"
HANG = -1


class Watcher(ThreadingHTTPServer):
    """Counts the calls; answers 200, or what `answers` holds first."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Get)
        self.calls = 0
        self.answers: list[int] = []
        self.over = threading.Event()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}/ping/{KEY}"


class _Get(BaseHTTPRequestHandler):
    server: Watcher

    def do_GET(self) -> None:
        answer = self.server.answers.pop(0) if self.server.answers else 200
        self.server.calls += 1
        if answer == HANG:
            self.close_connection = True
            self.server.over.wait(10)
            return
        self.send_response(answer)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:
        """Quiet."""


@contextmanager
def watching() -> Iterator[Watcher]:
    """One on a free loopback port."""
    with Watcher() as running:
        thread = threading.Thread(target=running.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
        thread.start()
        yield running
        running.over.set()
        running.shutdown()
        thread.join(timeout=10)
