"""How the command line speaks: tables, times, a progress bar."""

import io
import json

import pytest

from collector.cli.output import iso, progress_bar, say_json, table
from collector.domain.problems import Wrong, wrong


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_columns_are_as_wide_as_what_is_in_them(capsys: pytest.CaptureFixture[str]) -> None:
    """Two blanks between, none at the end of a line."""
    table(("probe", "at"), [["juniper-top", "x"], ["a", ""]])
    assert capsys.readouterr().out == "probe        at\njuniper-top  x\na\n"


def test_control_characters_of_outside_names_are_written_out(capsys: pytest.CaptureFixture[str]) -> None:
    """A topic cannot clear the screen, colour it, or break the line."""
    table(("topic",), [["worms/\x1b[2J\x1b]0;x\x07\r\n\x9b31m/top\x7f"]])
    assert capsys.readouterr().out == "topic\nworms/\\x1b[2J\\x1b]0;x\\x07\\r\\n\\x9b31m/top\\x7f\n"


def test_a_table_without_rows_is_its_head(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing to show is no error."""
    table(("probe", "at"), [])
    assert capsys.readouterr().out == "probe  at\n"


def test_times_are_cut_to_the_second_and_none_is_never() -> None:
    """ISO 8601 in UTC for programs; a millisecond before the second is the one before."""
    assert iso(1_772_438_400_999) == "2026-03-02T08:00:00Z"
    assert iso(-1) == "1969-12-31T23:59:59Z"
    assert iso(None) is None


def test_json_is_one_line_and_keeps_every_script(capsys: pytest.CaptureFixture[str]) -> None:
    """One line, readable as it is."""
    say_json({"text": "21 °C\n"})
    out = capsys.readouterr().out
    assert out == '{"text": "21 °C\\n"}\n'
    assert json.loads(out) == {"text": "21 °C\n"}


def test_wrong_carries_its_line() -> None:
    """What ends a command is one exception with one line."""
    with pytest.raises(Wrong, match="too much"):
        wrong("too much")


def test_the_bar_is_silent_off_a_terminal() -> None:
    """In a pipe or a log there is no bar."""
    out = io.StringIO()
    bar = progress_bar("backup", out)
    bar(1, 2)
    bar(2, 2)
    assert out.getvalue() == ""


def test_the_bar_draws_each_percent_once_and_ends_its_line() -> None:
    """On a terminal: from 0 to 100, never beyond, a total of nothing is all of it."""
    out = Terminal()
    bar = progress_bar("backup", out)
    for done in (0, 1, 2, 500, 1_000, 2_000):
        bar(done, 1_000)
    drawn = out.getvalue().split("\r")[1:]
    assert drawn == [
        "backup                             0 %",
        "backup ============               50 %",
        "backup ========================= 100 %\n",
    ]
    empty = Terminal()
    progress_bar("export", empty)(0, 0)
    assert empty.getvalue().endswith("100 %\n")
