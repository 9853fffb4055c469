"""Servers that never come to an end: a loopback socket that sends what a test says, for as long as anyone listens."""

import gzip
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

Script = Callable[[socket.socket], None]


@dataclass(slots=True)
class Endless:
    """`port` on 127.0.0.1; `sent` counts the bytes that clients took off it."""

    port: int
    sent: int = 0
    callers: int = 0
    stop: threading.Event = field(default_factory=threading.Event)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/"

    def send(self, client: socket.socket, chunk: bytes) -> None:
        client.sendall(chunk)
        self.sent += len(chunk)

    def flood(self, client: socket.socket, chunk: bytes) -> None:
        """The same again and again, up to 400 MB and 20 s."""
        end_s = time.monotonic() + 20
        while not self.stop.is_set() and self.sent < 400_000_000 and time.monotonic() < end_s:
            self.send(client, chunk)

    def drip(self, client: socket.socket, text: bytes) -> None:
        """A byte every 50 ms, for 20 s at most."""
        for _ in range(400):
            for byte in text:
                if self.stop.wait(0.05):
                    return
                self.send(client, bytes([byte]))


@contextmanager
def endless(talk: Callable[[Endless, socket.socket], None]) -> Iterator[Endless]:
    """Each connection is talked to by `talk` in a thread of its own; all end with the block."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(0.05)
        server = Endless(listener.getsockname()[1])

        def serve() -> None:
            while not server.stop.is_set():
                try:
                    client, _ = listener.accept()
                except TimeoutError:
                    continue
                except OSError:
                    return
                server.callers += 1
                threading.Thread(target=one, args=(client,), daemon=True).start()

        def one(client: socket.socket) -> None:
            with client:
                try:
                    client.settimeout(20)
                    talk(server, client)
                except OSError:
                    pass  # the client has had enough

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        try:
            yield server
        finally:
            server.stop.set()
            thread.join(5)


OK = b"HTTP/1.1 200 OK\r\n"
BOMB = gzip.compress(bytes(64 * 1024 * 1024))
"""64 MiB of zeros in 64 kB."""


def endless_body(server: Endless, client: socket.socket) -> None:
    """An answer whose body has no end."""
    client.recv(65_536)
    server.send(client, OK + b"\r\n")
    server.flood(client, b"x" * 65_536)


def dripped_body(server: Endless, client: socket.socket) -> None:
    """A body of a byte now and then."""
    client.recv(65_536)
    server.send(client, OK + b"\r\n")
    server.drip(client, b"y")


def dripped_head(server: Endless, client: socket.socket) -> None:
    """A head of a byte now and then."""
    client.recv(65_536)
    server.drip(client, OK + b"X: " + b"z" * 1000)


def bomb(server: Endless, client: socket.socket) -> None:
    """A packed body a thousand times as large as it comes."""
    client.recv(65_536)
    server.send(client, OK + f"Content-Encoding: gzip\r\nContent-Length: {len(BOMB)}\r\n\r\n".encode() + BOMB)


def silent(server: Endless, client: socket.socket) -> None:
    """Takes the connection and says nothing."""
    server.stop.wait(20)
