"""The command line inside the process of the test: quick, and with its output at hand."""

import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from collector.cli.main import main
from tests.worlds.by_hand import ByHand
from tests.worlds.home import HOT_AT_ONCE, LAB


class Said(NamedTuple):
    code: int
    out: str
    err: str


class Commands:
    """`run("status", "--json")` on one home."""

    def __init__(self, home: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.home = home
        self._capsys = capsys

    def run(self, *arguments: str) -> Said:
        self._capsys.readouterr()
        try:
            code = main([*arguments, "--home", str(self.home)])
        except SystemExit as end:
            code = int(str(end.code))
        return Said(code, *self._capsys.readouterr())

    def good(self, *arguments: str) -> str:
        said = self.run(*arguments)
        assert (said.code, said.err) == (0, ""), said
        return said.out

    def json(self, *arguments: str) -> Any:
        """The one line a command printed."""
        (line,) = self.good(*arguments, "--json").splitlines()
        return json.loads(line)

    def wrong(self, *arguments: str) -> str:
        """The one line of a command that must exit with 1 and print nothing else."""
        said = self.run(*arguments)
        assert said.code == 1, said
        assert said.out == ""
        (line,) = said.err.splitlines()
        assert "Traceback" not in line
        return line

    def usage(self, *arguments: str) -> str:
        """What is said where the command itself is not understood."""
        said = self.run(*arguments)
        assert (said.code, said.out) == (2, "")
        return said.err.splitlines()[-1]


def stock(home: Path, minutes: Sequence[tuple[float, float]] = ((0, 29.5), (1, 30.5), (2, 31.25))) -> None:
    """What a collector would have left: Juniper's top tray with these temperatures, strangers and junk."""
    (home / "rules").mkdir(parents=True, exist_ok=True)
    home.chmod(0o700)
    (home / "lab.yaml").write_text(LAB, encoding="utf-8")
    (home / "rules" / "site.yaml").write_text(HOT_AT_ONCE, encoding="utf-8")
    lab = ByHand(home)
    for at, celsius in minutes:
        lab.tray(at, celsius)
    lab.settle(3)
    lab.say("worms/maple/middle", '[{"bn":"urn:dev:mac:77:","n":"temperature","v":20.5}]')
    lab.say("worms/new", b"\xff\x00\x1b")
    lab.say("worms/room/air", "21,5")
    lab.say("worms/room/air", "nan")
    lab.commit()
    lab.close()


def other_program(database: Path) -> None:
    """A database that is not ours, where ours should be."""
    with closing(sqlite3.connect(database)) as db:
        db.execute("CREATE TABLE albums(title)")
