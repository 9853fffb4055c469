"""What holds for every command: help with an example, exit codes, errors of one line, listings as JSON."""

import argparse
import json
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from collector.cli.known_commands import build_parser
from tests.cli.command_line import Commands, other_program, stock
from tests.worlds.by_hand import RULES


def _walk(parser: argparse.ArgumentParser, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], list[str]]]:
    """Every command with its options."""
    groups = [one for one in parser._actions if isinstance(one, argparse._SubParsersAction)]
    if not groups:
        yield path, [option for one in parser._actions for option in one.option_strings]
    for group in groups:
        for name, below in group.choices.items():
            yield from _walk(below, (*path, name))


ALL = dict(_walk(build_parser()))
LISTINGS = [path for path, options in ALL.items() if "--json" in options and path not in (("demo",), ("checkup",))]
AT_TOP = ("--at", "juniper/top")
BY = ("--by", "class 4b")
GIVEN: dict[tuple[str, ...], tuple[str, ...]] = {
    ("probes", "assign"): ("x", *AT_TOP, "--topic", "worms/x", "--channel", "temperature=bedding_temperature"),
    ("probes", "calibrate"): ("maple-top", "moisture", "--from", "2026-03-02", "--point", "1=1 %", "--point", "2=2 %"),
    ("alarms", "acknowledge"): ("bedding-hot", *AT_TOP, *BY),
    ("alarms", "shelve"): ("bedding-hot", *AT_TOP, "--for", "8 h", "--reason", "repair", *BY),
    ("alarms", "unshelve"): ("bedding-hot", *AT_TOP, *BY),
    ("probes", "out-of-service"): ("juniper-top", "--reason", "repair", *BY),
    ("probes", "in-service"): ("juniper-top", *BY),
    ("diary", "add"): ("feed", *AT_TOP, *BY),
    ("diary", "strike"): ("1", *BY),
    ("brew", "start"): ("--at", "kettle", *BY),
    ("brew", "end"): ("--at", "kettle", *BY),
    ("brew", "strike"): ("1", *BY),
    ("backup",): ("copy.db",),
}
"""What a command cannot do without."""
READING = [*LISTINGS, ("export",), ("backup",)]
"""Commands that look into the journal; `rules check` and `rules list` need none."""
READING = [path for path in READING if path not in (("rules", "check"), ("rules", "list"))]


@pytest.fixture
def commands(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Commands:
    """A home with readings in it, and the tests' folder as the working folder."""
    stock(tmp_path / "home")
    (tmp_path / "home" / "rules" / "site.yaml").write_text(RULES, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return Commands(tmp_path / "home", capsys)


@pytest.mark.parametrize("path", ALL, ids=" ".join)
def test_each_command_explains_itself_with_an_example(path: tuple[str, ...], commands: Commands) -> None:
    """--help exits 0, says what the command does, names --home, and shows a line to copy."""
    said = commands.run(*path, "--help")
    assert said.code == 0
    assert "--home" in said.out
    example = said.out.partition("example:\n")[2].strip()
    assert f"traywarden {' '.join(path)}" in example


@pytest.mark.parametrize("path", [("--help",), ("probes", "--help"), ("alarms", "--help"), ("rules", "--help")])
def test_groups_list_their_commands(path: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    """The program and each group show what there is."""
    with pytest.raises(SystemExit) as end:
        build_parser().parse_args(path)
    assert end.value.code == 0
    assert capsys.readouterr().out.count("\n    ") >= 2


@pytest.mark.parametrize(
    "arguments",
    [(), ("feed-worms",), ("status", "--colour"), ("probes",), ("probes", "lsit"), ("backup",)],
    ids=" ".join,
)
def test_what_is_not_understood_is_usage(arguments: tuple[str, ...], commands: Commands) -> None:
    """Unknown command or option, something left out: exit 2, the last line says what."""
    line = commands.usage(*arguments)
    assert line.startswith("traywarden")
    assert "error:" in line


@pytest.mark.parametrize("path", LISTINGS, ids=" ".join)
def test_each_listing_parses_as_json_and_prints_a_table_without(path: tuple[str, ...], commands: Commands) -> None:
    """--json is one line that a program can read; without it there is text for people."""
    path = (*path, *GIVEN.get(path, ()))
    said = commands.run(*path, "--json")
    assert said.code == 0, said
    json.loads(said.out)
    assert said.out.count("\n") == 1
    plain = commands.run(*path)
    assert plain.code == 0
    assert plain.out.strip()


def _no_home(home: Path) -> None:
    shutil.rmtree(home)


def _home_is_a_file(home: Path) -> None:
    shutil.rmtree(home)
    home.write_text("x")


def _no_database(home: Path) -> None:
    (home / "traywarden.db").unlink()


def _empty_database(home: Path) -> None:
    _no_database(home)
    (home / "traywarden.db").touch()


def _other_program(home: Path) -> None:
    _no_database(home)
    other_program(home / "traywarden.db")


def _no_sqlite(home: Path) -> None:
    (home / "traywarden.db").write_bytes(b"not a database at all" * 100)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (_no_home, "not there"),
        (_home_is_a_file, "/home/"),
        (_no_database, "not there; 'traywarden watch' makes it"),
        (_empty_database, "empty; 'traywarden watch' fills it"),
        (_other_program, "a database of another program, left alone"),
        (_no_sqlite, "not a database"),
    ],
)
@pytest.mark.parametrize("path", READING, ids=" ".join)
def test_a_journal_that_cannot_be_read_is_one_line(
    path: tuple[str, ...], spoil: Callable[[Path], None], says: str, commands: Commands
) -> None:
    """Whatever stands where the journal should be: exit 1, one line that says what is the matter."""
    spoil(commands.home)
    assert says in commands.wrong(*path, *GIVEN.get(path, ()))


@pytest.mark.parametrize("path", [("probes", "assign"), ("probes", "calibrate"), ("watch",)], ids=" ".join)
def test_a_broken_lab_file_is_named_by_line(path: tuple[str, ...], commands: Commands) -> None:
    """Commands that need the lab say where it is wrong and change nothing."""
    lab = commands.home / "lab.yaml"
    lab.write_text(lab.read_text(encoding="utf-8").replace("format: number", "format: numbers"), encoding="utf-8")
    before = lab.read_bytes()
    line = commands.wrong(*path, *GIVEN.get(path, ()))
    assert line.startswith("lab.yaml:")
    assert "did you mean 'number'?" in line
    assert lab.read_bytes() == before


@pytest.mark.parametrize("path", [("status",), ("probes", "list"), ("alarms", "list"), ("export",)], ids=" ".join)
def test_what_is_stored_shows_without_a_lab_file(path: tuple[str, ...], commands: Commands) -> None:
    """A broken lab.yaml keeps nobody from the readings."""
    (commands.home / "lab.yaml").write_text("lab: [\n", encoding="utf-8")
    assert "juniper" in commands.good(*path)


@pytest.mark.parametrize("path", [("rules", "list"), ("rules", "check"), ("watch",)], ids=" ".join)
def test_broken_rules_are_named_by_line(path: tuple[str, ...], commands: Commands) -> None:
    """File, line, field, and the nearest right word."""
    (commands.home / "rules" / "site.yaml").write_text(RULES.replace("kind: low", "kind: lwo"), encoding="utf-8")
    said = commands.run(*path)
    assert said.code == 1
    (line,) = (line for line in said.err.splitlines() if "did you mean 'low'?" in line)  # `check` has warnings too
    assert line.startswith("rules/site.yaml:")
    assert "Traceback" not in said.err


def test_wrong_settings_are_one_line_each(commands: Commands, monkeypatch: pytest.MonkeyPatch) -> None:
    """`watch` and `checkup` refuse them alike."""
    monkeypatch.setenv("TRAYWARDEN_MQTT__PORT", "secret-x")
    for path in (("watch",), ("checkup",)):
        line = commands.wrong(*path)
        assert line.startswith("environment TRAYWARDEN_MQTT__PORT: ")
        assert "secret-x" not in line


def test_control_c_ends_in_one_line(commands: Commands, monkeypatch: pytest.MonkeyPatch) -> None:
    """130, as shells expect."""

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("collector.cli.commands.status.status", interrupted)
    assert commands.run("status") == (130, "", "interrupted\n")


def test_a_reader_that_leaves_is_no_error(tmp_path: Path) -> None:
    """`traywarden export | head -1`: no traceback when the pipe closes."""
    stock(tmp_path / "home", [(minute / 60, 21.5 + minute % 2 / 16) for minute in range(5_000)])
    export = subprocess.Popen(
        [sys.executable, "-m", "collector.cli.main", "export", "--home", str(tmp_path / "home")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert export.stdout is not None
    assert export.stderr is not None
    assert export.stdout.readline() == b"time,bin,tray,probe,measure,unit,value,flag\n"
    export.stdout.close()
    assert export.stderr.read() == b""
    assert export.wait(20) == 1
    export.stderr.close()
