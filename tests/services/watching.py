"""The collector as its own process, the way a service manager runs it, and the command line beside it."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, Any, ClassVar

from collector.cli.common import lab_or_none
from collector.cli.status.values import status
from collector.config.clock import system_now
from collector.config.home import Home
from tests.services import warm
from tests.services.waiting import wait_until


def _start(
    arguments: Sequence[str], environ: Mapping[str, str], out: IO[bytes], err: IO[bytes], anew: bool
) -> "subprocess.Popen[bytes] | warm.Warm":
    if not anew and warm.can_start(environ):
        return warm.start(arguments, environ, out, err)
    command = [sys.executable, "-m", "collector.cli.main", *arguments]
    return subprocess.Popen(command, env=environ, stdin=subprocess.DEVNULL, stdout=out, stderr=err)


class Watch:
    """`traywarden watch` on `home`; `settings` are TRAYWARDEN_ variables without the prefix. `anew`: Python itself is
    started, for whoever measures memory or time."""

    running_now: ClassVar[set["Watch"]] = set()
    """Those not ended yet: a test that fails half way must not leave its collector behind."""

    def __init__(self, home: Path, settings: Mapping[str, object], *, anew: bool = False) -> None:
        self.home = home
        self._anew = anew
        self.settings = dict(settings)
        self.options: tuple[str, ...] = ()
        """Of `watch` itself, such as --quiet."""
        self.environ: dict[str, str] = {}
        """Whatever else a service manager sets."""
        self.log_file = home / "watch.log"
        self._process: subprocess.Popen[bytes] | warm.Warm | None = None

    @property
    def log(self) -> str:
        return self.log_file.read_text(encoding="utf-8") if self.log_file.exists() else ""

    @property
    def running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def start(self, until: str = "connected", patience_s: float = 20) -> "Watch":
        """Returns once its log says `until` anew."""
        before = self.log.count(until)
        self._launch()
        wait_until(lambda: self.log.count(until) > before or not self.running, f"'{until}' in the log", patience_s)
        if not self.running:
            raise AssertionError(f"watch ended:\n{self.log}")
        return self

    def start_unheard(self) -> None:
        """Where the log cannot be read: returns once it holds the home folder and has a journal."""
        self._launch()
        wait_until(lambda: self.try_run("status").returncode == 0 or not self.running, "a journal", 20)

    def _launch(self) -> None:
        command, environ = ["watch", *self.options, "--home", str(self.home)], {**self.environment(), **self.environ}
        with self.log_file.open("ab") as log:
            self._process = _start(command, environ, log, log, self._anew)
        self.running_now.add(self)

    def stop(self) -> int:
        """As a service manager does; returns its exit code."""
        return self._end(signal.SIGTERM)

    def kill(self) -> None:
        """As a power cut does."""
        self._end(signal.SIGKILL)

    def _end(self, how: signal.Signals) -> int:
        if self._process is None:
            return 0
        self._process.send_signal(how)
        code = self._process.wait(timeout=40)
        self._process = None
        self.running_now.discard(self)
        return code

    def environment(self) -> dict[str, str]:
        kept = {name: value for name, value in os.environ.items() if not name.startswith("TRAYWARDEN_")}
        return {**kept, **{f"TRAYWARDEN_{name}": str(value) for name, value in self.settings.items()}}

    def run(self, *arguments: str, code: int = 0) -> str:
        """One command on the same home; its standard output. Fails unless it exits with `code`."""
        done = self.try_run(*arguments)
        assert done.returncode == code, f"{arguments}: exit {done.returncode}\n{done.stdout}{done.stderr}"
        return done.stdout

    def try_run(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        with TemporaryFile() as out, TemporaryFile() as err:
            process = _start([*arguments, "--home", str(self.home)], self.environment(), out, err, self._anew)
            try:
                code = process.wait(60)
            finally:
                process.kill()
            for file in (out, err):
                file.seek(0)
            return subprocess.CompletedProcess(arguments, code, out.read().decode(), err.read().decode())

    def status(self) -> dict[str, Any]:
        """As `status --json` prints it, gathered here: a test asks many times, and each program takes a moment."""
        home = Home(self.home)
        found: dict[str, Any] = json.loads(json.dumps(status(home, lab_or_none(home), system_now())))
        return found

    def exported(self) -> list[str]:
        """Lines of the CSV export, without its head."""
        return self.run("export", "--format", "csv").splitlines()[1:]
