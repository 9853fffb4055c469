"""`python -m tests.services.warm_parent SOCKET`: has the collector loaded, and splits off one process for each command.

Each request comes with four open files: standard input, output and error of the command, and where its exit code goes.
It ends when the other end of its socket does.
"""

import gc
import importlib
import json
import os
import pkgutil
import select
import signal
import socket
import sys
import time
from contextlib import suppress
from typing import Any, NoReturn

import collector.cli.commands
from collector.cli.main import main
from tests.services.warm import ANSWER_BYTES

_REQUEST_BYTES = 1_000_000
_FILES = 4
_NOT_FOR_ALL = ("uplink",)
"""Commands with a library that `watch` does not load where there is no use for it."""


def load_commands() -> None:
    """And all that they need."""
    for module in pkgutil.iter_modules(collector.cli.commands.__path__):
        if module.name not in _NOT_FOR_ALL:
            importlib.import_module(f"collector.cli.commands.{module.name}")


def serve(asked: socket.socket) -> list[str]:
    """Returns only in a child: what its command line says."""
    woken, waker = os.pipe()
    os.set_blocking(waker, False)
    signal.set_wakeup_fd(waker, warn_on_full_buffer=False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    ends: dict[int, int] = {}
    while True:
        ready, _, _ = select.select([asked.fileno(), woken], [], [])
        if woken in ready:
            os.read(woken, 4096)
            _reap(ends)
        if asked.fileno() in ready:
            request, files, _, _ = socket.recv_fds(asked, _REQUEST_BYTES, _FILES)
            if not request:
                sys.exit()
            pid = os.fork()
            if pid == 0:
                for file in (woken, waker, *ends.values()):
                    os.close(file)
                asked.close()
                return _become(json.loads(request), files)
            ends[pid] = files.pop()
            for file in files:
                os.close(file)
            asked.send(pid.to_bytes(ANSWER_BYTES, "big"))


def _reap(ends: dict[int, int]) -> None:
    """Passes on the exit code of each child that has ended."""
    while ends:
        pid, status = os.waitpid(-1, os.WNOHANG)
        if pid == 0:
            return
        end = ends.pop(pid)
        with suppress(BrokenPipeError):
            os.write(end, os.waitstatus_to_exitcode(status).to_bytes(ANSWER_BYTES, "big", signed=True))
        os.close(end)


def _become(request: dict[str, Any], files: list[int]) -> list[str]:
    """As a process just started: its own files, surroundings and signals."""
    signal.set_wakeup_fd(-1)
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    os.close(files.pop())
    for standard, file in enumerate(files):
        os.dup2(file, standard)
        os.close(file)
    os.environ.clear()
    os.environ.update(request["environ"])
    os.chdir(request["folder"])
    time.tzset()
    return [str(word) for word in request["arguments"]]


def run() -> NoReturn:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the tests, which end us
    load_commands()
    gc.freeze()
    with socket.socket(fileno=int(sys.argv[1])) as asked:
        asked.send(b"\0" * ANSWER_BYTES)
        sys.argv[1:] = serve(asked)
    sys.exit(main())


if __name__ == "__main__":
    run()
