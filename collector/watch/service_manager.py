"""Words to the service manager that started us: ready, alive, stopping, and a line on how it goes.

One datagram each to the socket named in NOTIFY_SOCKET, as sd_notify(3) of systemd describes; without that variable
nothing is said. Alive is said only after real progress, and only where WATCHDOG_USEC asks for it: a manager that hears
nothing for that long starts us anew.
"""

import socket
from collections.abc import Callable, Mapping
from contextlib import suppress

_OFTENER = 4
"""Signs of life in each watchdog period: a few may be lost or late."""


class ServiceManager:
    """`clock_s` runs steadily, whatever the time of day does. Nothing here ever fails or waits."""

    def __init__(self, environ: Mapping[str, str], pid: int, clock_s: Callable[[], float]) -> None:
        self._address = _address(environ.get("NOTIFY_SOCKET", ""))
        self._every_s = _watchdog_s(environ, pid) / _OFTENER
        self._clock_s = clock_s
        self._ready, self._alive_at, self._status = False, float("-inf"), ""

    def turned(self, writable: bool) -> None:
        """The work has gone round once. The first time says that we are ready; each time that we are alive, unless
        what it is all for, the journal, cannot be written."""
        if not self._ready:
            self._ready = True
            self._tell("READY=1")
        if writable and self._every_s and self._clock_s() - self._alive_at >= self._every_s:
            self._alive_at = self._clock_s()
            self._tell("WATCHDOG=1")

    def says(self, text: str) -> None:
        """A line for whoever looks at the service."""
        if text != self._status:
            self._status = text
            self._tell(f"STATUS={' '.join(text.split())[:200]}")

    def stopping(self) -> None:
        """An orderly end has begun."""
        self._tell("STOPPING=1")

    def _tell(self, words: str) -> None:
        if not self._address:
            return
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as letter:
            letter.setblocking(False)
            letter.sendto(words.encode("utf-8", "replace"), self._address)


def _address(named: str) -> str:
    """A path, or a name without a file ('@...'); other kinds are not ours to reach."""
    return f"\0{named[1:]}" if named.startswith("@") else named if named.startswith("/") else ""


def _watchdog_s(environ: Mapping[str, str], pid: int) -> float:
    """The period in which a sign of life is wanted of this process, 0 for none."""
    asked, whose = environ.get("WATCHDOG_USEC", ""), environ.get("WATCHDOG_PID", str(pid))
    return int(asked) / 1e6 if asked.isdecimal() and whose == str(pid) else 0.0


SILENT = ServiceManager({}, 0, lambda: 0.0)
"""For runs that nobody manages."""
