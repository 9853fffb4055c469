"""Web servers of ours on a free loopback port, which answer as a test tells them."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TypeVar

DROP, HANG = 0, -1
"""Answers that are none: the connection ends, or stays open and silent."""


class WebServer(ThreadingHTTPServer):
    """Counts the calls; answers 200, or what `answers` holds first."""

    daemon_threads = True

    def __init__(self, handler: type["Handler"]) -> None:
        super().__init__(("127.0.0.1", 0), handler)
        self.calls = 0
        self.answers: list[int] = []
        self.over = threading.Event()


class Handler(BaseHTTPRequestHandler):
    server: WebServer

    def told(self) -> int:
        """The answer to this call."""
        self.server.calls += 1
        return self.server.answers.pop(0) if self.server.answers else 200

    def answer(self, status: int) -> None:
        """That status with nothing in it, or none."""
        if status in (DROP, HANG):
            self.close_connection = True
            self.server.over.wait(0 if status == DROP else 10)
            return
        self.send_response(status)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:
        """Quiet."""


Served = TypeVar("Served", bound=WebServer)


@contextmanager
def serving(server: Served) -> Iterator[Served]:
    """It answers inside the block."""
    with server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
        thread.start()
        yield server
        server.over.set()
        server.shutdown()
        thread.join(timeout=10)
