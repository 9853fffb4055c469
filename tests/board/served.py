"""The pages on a real server on a free loopback port, and a plain client that keeps nothing and follows nothing."""

import http.client
import threading
from collections.abc import Mapping
from types import TracebackType
from typing import NamedTuple, Self

from starlette.types import ASGIApp

from collector.board.connections import ANSWERED_WITHIN_S
from collector.board.serving import Serving, listen


class Answer(NamedTuple):
    status: int
    headers: Mapping[str, str]
    """Names in lower case."""
    text: str


class Served:
    """`with Served(app) as served:`"""

    def __init__(self, app: ASGIApp, answered_within_s: float = ANSWERED_WITHIN_S) -> None:
        self._serving = Serving(app, listen("127.0.0.1", 0), answered_within_s=answered_within_s)
        self.port = self._serving.port
        self.url = f"http://127.0.0.1:{self.port}"
        self._thread = threading.Thread(target=self._serving.run, name="board", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._serving.stop()
        self._thread.join(10)
        assert not self._thread.is_alive()

    def ask(
        self, method: str, path: str, headers: Mapping[str, str] | None = None, body: bytes | None = None
    ) -> Answer:
        return ask(self.port, method, path, headers, body)


def ask(
    port: int, method: str, path: str, headers: Mapping[str, str] | None = None, body: bytes | None = None
) -> Answer:
    """One request on a connection of its own."""
    client = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    try:
        client.request(method, path, body, dict(headers or {}))
        answer = client.getresponse()
        text = answer.read().decode("utf-8")
        return Answer(answer.status, {name.lower(): value for name, value in answer.getheaders()}, text)
    finally:
        client.close()
