"""Ends a wait early, from a signal handler or another thread."""

import select
import socket
from contextlib import suppress
from types import TracebackType
from typing import Self


class Wake:
    """A bell. It may be rung at any time and any number of times, also after the end; nothing here takes a lock, which
    a signal handler could find taken."""

    def __init__(self) -> None:
        self._heard, self._rung = socket.socketpair()
        self._heard.setblocking(False)
        self._rung.setblocking(False)

    def ring(self) -> None:
        """End the present wait, or the next."""
        with suppress(OSError):  # rung often enough, or closed
            self._rung.send(b"\0")

    def fileno(self) -> int:
        """For `select`: readable once rung."""
        return self._heard.fileno()

    def clear(self) -> None:
        """What was rung so far is heard."""
        with suppress(BlockingIOError):
            while self._heard.recv(4096):
                pass

    def wait(self, timeout_s: float) -> None:
        """Until rung, or for so long."""
        if select.select([self], [], [], timeout_s)[0]:
            self.clear()

    def close(self) -> None:
        """Nothing waits any more."""
        self._heard.close()
        self._rung.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
