"""`traywarden ...` as a process of its own, split off from one that has it all loaded: starting Python and loading the
collector anew costs a second of work, and tests do so hundreds of times.

It has its own files, environment, signals and exit code, as one started by a service manager. What a start loads, and
how it is started, is held by the tests of cli/ and deploy/, which start Python itself.
"""

import atexit
import json
import os
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import IO

ANSWER_BYTES = 4
_READY_S = 60.0
_ROOT = Path(__file__).parents[2]


class Warm:
    """A process that runs, with what is used of `subprocess.Popen`."""

    def __init__(self, pid: int, end: int) -> None:
        self.pid = pid
        self.returncode: int | None = None
        self._end = end

    def poll(self) -> int | None:
        return self._look(0.0)

    def wait(self, timeout: float | None = None) -> int:
        code = self._look(timeout)
        if code is None:
            raise subprocess.TimeoutExpired("traywarden", timeout or 0.0)
        return code

    def send_signal(self, number: signal.Signals) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def _look(self, within_s: float | None) -> int | None:
        if self.returncode is None and select.select([self._end], [], [], within_s)[0]:
            said = os.read(self._end, ANSWER_BYTES)
            os.close(self._end)
            assert said, "what splits off processes has ended"
            self.returncode = int.from_bytes(said, "big", signed=True)
        return self.returncode


def start(arguments: Sequence[str], environ: Mapping[str, str], out: IO[bytes], err: IO[bytes]) -> Warm:
    """`traywarden ARGUMENTS` in the working folder of the test, with nothing to read."""
    request = {"arguments": list(arguments), "environ": dict(environ), "folder": str(Path.cwd())}
    parent, (end, told) = _parent(), os.pipe()
    with open(os.devnull, "rb") as nothing:
        files = [nothing.fileno(), out.fileno(), err.fileno(), told]
        socket.send_fds(parent, [json.dumps(request).encode()], files)
    os.close(told)
    return Warm(int.from_bytes(parent.recv(ANSWER_BYTES), "big"), end)


def can_start(environ: Mapping[str, str]) -> bool:
    """Whether it would be the same: a process that Python itself is to treat otherwise must be started anew."""
    return _for_python(environ) == _for_python(os.environ) == _for_python(_surroundings())


def _for_python(environ: Mapping[str, str]) -> dict[str, str]:
    return {name: value for name, value in environ.items() if name.startswith(("PYTHON", "LD_", "LC_", "LANG"))}


@cache
def _surroundings() -> Mapping[str, str]:
    """Of the parent."""
    return {name: value for name, value in os.environ.items() if not name.startswith("TRAYWARDEN_")}


@cache
def _parent() -> socket.socket:
    """Started by the first test that needs it; it ends with this process."""
    ours, its = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.services.warm_parent", str(its.fileno())],
        cwd=_ROOT,
        env=_surroundings(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        pass_fds=[its.fileno()],
    )
    its.close()
    ours.settimeout(_READY_S)
    assert ours.recv(ANSWER_BYTES), "it could not be loaded"

    @atexit.register
    def end() -> None:
        ours.close()
        process.wait(10)

    return ours
