"""What deploy/systemd does when the collector writes that a session began anew, for tests without a systemd."""

import re
import subprocess
import threading
from pathlib import Path
from types import TracebackType
from typing import Self

from tests.services.mosquitto import Mosquitto

_UNITS = Path(__file__).parents[2] / "deploy" / "systemd"
_LOOK_EVERY_S = 0.02


class SavedSessions:
    """Plays traywarden-new-session.path and its service on `home`: their own file and command, on `broker`."""

    def __init__(self, home: Path, broker: Mosquitto) -> None:
        [watched] = re.findall(r"(?m)^PathChanged=.*/(.+)$", self._unit("path"))
        [self._command] = re.findall(r"(?m)^ExecStart=/bin/sh -c '(.*)'$", self._unit("service"))
        self._file = home / watched
        self._broker = broker
        self._seen = self._now()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._watch)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._over.set()
        self._thread.join()

    @staticmethod
    def _unit(kind: str) -> str:
        return (_UNITS / f"traywarden-new-session.{kind}").read_text(encoding="utf-8")

    def _now(self) -> int:
        return self._file.stat().st_mtime_ns if self._file.exists() else 0

    def _watch(self) -> None:
        while not self._over.wait(_LOOK_EVERY_S):
            if (now := self._now()) != self._seen:
                self._seen = now
                command = self._command.replace("$$", "$").replace("/run/mosquitto/", f"{self._broker.folder}/")
                subprocess.run(["/bin/sh", "-c", command], check=False, timeout=20)
