"""The log as whoever keeps it wants it: priorities for a journal that stamps lines itself, times everywhere else."""

import argparse
import os
from collections.abc import Mapping
from pathlib import Path

import pytest

from collector.cli.log_lines import add_loudness, leads_to_journal, log_of
from collector.config.log import Log

NOW_MS = 1_772_438_400_000
TIME = "2026-03-02T08:00:00Z"


def log(*options: str, environ: Mapping[str, str] | None = None) -> Log:
    parser = argparse.ArgumentParser()
    add_loudness(parser)
    return log_of(parser.parse_args(options), environ or {}, lambda: NOW_MS)


def each_level(to: Log) -> None:
    to("connected")
    to.debug("24 readings committed")
    to.warning("not taken up")
    to.error("journal cannot be written")


def test_a_line_has_its_time_and_its_level_where_that_is_not_plain(capsys: pytest.CaptureFixture[str]) -> None:
    """On a terminal or in a file: UTC, then 'warning' or 'error'; single steps only where they are asked for."""
    each_level(log())
    assert capsys.readouterr().err.splitlines() == [
        f"{TIME} connected",
        f"{TIME} warning: not taken up",
        f"{TIME} error: journal cannot be written",
    ]


@pytest.mark.parametrize(("option", "lines"), [("--debug", 4), ("--quiet", 2)])
def test_more_or_less_can_be_asked_for(option: str, lines: int, capsys: pytest.CaptureFixture[str]) -> None:
    """--debug says every step, --quiet nothing that is as it should be."""
    each_level(log(option))
    said = capsys.readouterr().err
    assert said.count("\n") == lines
    assert ("debug: 24 readings committed" in said) is (option == "--debug")
    assert ("connected" in said) is (option == "--debug")


def test_the_two_exclude_each_other(capsys: pytest.CaptureFixture[str]) -> None:
    """Asking for both is a slip."""
    with pytest.raises(SystemExit):
        log("--debug", "--quiet")
    assert "not allowed with argument" in capsys.readouterr().err


def test_what_comes_in_more_lines_stays_one(capsys: pytest.CaptureFixture[str]) -> None:
    """A server's answer cannot make up a line of its own, nor a priority."""
    log()("refused: 550 no\n<7>all is well\r\nreally")
    assert capsys.readouterr().err == f"{TIME} refused: 550 no <7>all is well really\n"


def test_the_journal_gets_priorities_and_no_second_time(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where JOURNAL_STREAM names this very stream, a line begins with the priority of its level."""
    found = os.fstat(2)
    each_level(log("--debug", environ={"JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino}"}))
    assert capfd.readouterr().err.splitlines() == [
        "<6>connected",
        "<7>24 readings committed",
        "<4>not taken up",
        "<3>journal cannot be written",
    ]


@pytest.mark.parametrize("named", ["", "1:2", "here"])
def test_a_stream_that_was_turned_elsewhere_is_no_journal(named: str, tmp_path: Path) -> None:
    """The variable is handed on to programs whose stderr is a file by now."""
    with (tmp_path / "log").open("w") as file:
        assert not leads_to_journal({"JOURNAL_STREAM": named}, file.fileno())


def test_a_stream_that_is_closed_is_no_journal(tmp_path: Path) -> None:
    """Nothing to write to is no reason to fail."""
    with (tmp_path / "log").open("w") as file:
        number = file.fileno()
    assert not leads_to_journal({"JOURNAL_STREAM": "1:2"}, number)
