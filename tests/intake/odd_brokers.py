"""Brokers that do what a good one never would: say nothing, refuse, hang up, push us out. Real sockets on loopback."""

import socket
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Self

CONNECT, PUBLISH, SUBSCRIBE = 1, 3, 8
Answer = Callable[[int, bytes], bytes]
"""(packet type, packet body) -> what to send back; HANG_UP ends the connection."""
HANG_UP = b"hang up"


class OddBroker:
    """Answers every packet of every client as `answer` says, one client at a time."""

    def __init__(self, answer: Answer | None = None) -> None:
        self._answer = answer
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.connections = 0
        self._client: socket.socket | None = None
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> Self:
        if self._answer is not None:  # else connections stay in the listener's queue: TCP answers, nobody speaks MQTT
            self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()

    def hang_up(self) -> None:
        """End the present connection without a word."""
        assert self._client is not None
        self._client.shutdown(socket.SHUT_RDWR)

    def _serve(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            self.connections += 1
            self._client = client
            with client:
                self._talk(client)

    def _talk(self, client: socket.socket) -> None:
        assert self._answer is not None
        try:
            while head := client.recv(1):
                length = _length(client)
                body = b""
                while len(body) < length:
                    body += client.recv(length - len(body))
                reply = self._answer(head[0] >> 4, body)
                if reply == HANG_UP:
                    return
                client.sendall(reply)
        except OSError:
            return


def _length(client: socket.socket) -> int:
    """MQTT's variable byte integer."""
    length, shift = 0, 0
    while True:
        (byte,) = client.recv(1)
        length |= (byte & 127) << shift
        if not byte & 128:
            return length
        shift += 7


def accepts(version: str) -> bytes:
    """CONNACK: welcome, no session kept."""
    return b"\x20\x03\x00\x00\x00" if version == "5" else b"\x20\x02\x00\x00"


def refuses(version: str, code: int) -> bytes:
    """CONNACK with a reason (MQTT 5.0 section 3.2.2.2, 3.1.1 section 3.2.2.3)."""
    return bytes((0x20, 3, 0, code, 0)) if version == "5" else bytes((0x20, 2, 0, code))


def subscribed(version: str, body: bytes, code: int = 1) -> bytes:
    """SUBACK for the packet id the SUBSCRIBE came with."""
    mid = body[:2]
    return b"\x90\x04" + mid + bytes((0, code)) if version == "5" else b"\x90\x03" + mid + bytes((code,))
