"""What commands say: on a full disk, to a closed output or a reader who has left; and what outside text may do."""

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.cli.output import complain, say, say_json, say_lines, table
from collector.domain.words import UNSAFE
from tests.cli.command_line import Commands, stock
from tests.worlds.by_hand import ByHand

SPEAKING: tuple[tuple[str, ...], ...] = (
    ("--help",),
    ("--version",),
    ("status", "--help"),
    ("init",),
    ("status",),
    ("status", "--json"),
    ("probes", "list"),
    ("rules", "list"),
    ("alarms", "history", "--json"),
    ("diary", "list"),
    ("export",),
    ("export", "--format", "senml"),
)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """With readings; looked at only."""
    made = tmp_path_factory.mktemp("said") / "home"
    stock(made)
    return made


def _run(command: Sequence[str], home: Path, redirect: str, **env: str) -> subprocess.CompletedProcess[str]:
    """In a shell, which is what sends output elsewhere."""
    where = [] if {"--help", "--version"} & set(command) else ["--home", str(home)]
    words = [sys.executable, "-m", "collector.cli.main", *command, *where]
    return subprocess.run(
        ["sh", "-c", f'"$@" {redirect}', "sh", *words],
        env={**os.environ, **env},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.mark.parametrize("command", SPEAKING, ids=" ".join)
def test_output_on_a_full_disk_is_one_line_and_exit_1(home: Path, command: tuple[str, ...]) -> None:
    """Short output, which fails only when the program ends, and long output, which fails on the way."""
    done = _run(command, home, ">/dev/full")
    assert (done.returncode, done.stderr) == (1, "standard output cannot be written: No space left on device\n"), done


def test_a_closed_output_is_one_line_and_exit_1(home: Path) -> None:
    """As a careless cron job leaves it."""
    done = _run(("status",), home, ">&-")
    assert (done.returncode, done.stderr) == (1, "standard output is closed\n")


@pytest.mark.parametrize("command", [("status",), ("export",)])
def test_a_reader_who_has_left_is_told_nothing(home: Path, command: tuple[str, ...]) -> None:
    """`| head`: no traceback, nothing said."""
    done = _run(command, home, "| true")
    assert done.stderr == ""


def test_errors_that_cannot_be_written_change_no_exit_code(home: Path) -> None:
    """Neither closed nor full: 1 stays 1, and what is said on standard output is said."""
    for redirect in ("2>&-", "2>/dev/full"):
        assert _run(("diary", "add", "nonsense"), home, redirect).returncode != 0
        assert "probe" in _run(("status",), home, redirect).stdout


def test_an_output_without_the_letters_gets_them_written_out(home: Path) -> None:
    """A terminal that knows ASCII alone: the table is shown, with '°' and the like as escapes."""
    done = _run(("rules", "list"), home, "", PYTHONIOENCODING="ascii")
    assert (done.returncode, done.stderr) == (0, "")
    assert "bedding-hot" in done.stdout


ACTING = st.text(
    st.sampled_from("ab \x1b[2J\r\n\t\x07\x9b\x7f\u2028\u2029\u202a\u202e\u2066\u2069\ud800é日"), max_size=12
)


@given(ACTING)
def test_nothing_said_acts_on_a_terminal(text: str) -> None:
    """Whatever a text from outside holds: each way of saying gives lines of plain text, and JSON the same value."""
    with pytest.MonkeyPatch.context() as patch:
        out, err = _Kept(), _Kept()
        patch.setattr(sys, "stdout", out)
        patch.setattr(sys, "stderr", err)
        say(text)
        table(("topic",), [[text]])
        say_lines(f"first\n{text.replace(chr(10), '')}")
        complain(text)
        say_json({"text": text})
    lines = out.text.split("\n")
    assert len(lines) == 7
    assert not any(UNSAFE.search(line) for line in [*lines, *err.text.split("\n")])
    assert err.text.count("\n") == 1
    assert json.loads(lines[5]) == {"text": text}
    (out.text + err.text).encode("utf-8")


class _Kept:
    """An output that keeps what was written."""

    def __init__(self) -> None:
        self.text = ""

    def write(self, text: str) -> int:
        self.text += text
        return len(text)

    def flush(self) -> None:
        """Nothing waits."""


HOSTILE = "\u202eworms\u2066/\u2028\x85x"
LISTINGS = (
    ("status",),
    ("probes", "list"),
    ("alarms", "list"),
    ("alarms", "history"),
    ("diary", "list"),
    ("rules", "list"),
)


@pytest.mark.slow
def test_no_listing_hands_a_topic_to_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Topics and record names with direction overrides, line separators and escapes: every listing writes them out, for
    people and as JSON."""
    stock(tmp_path / "home")
    lab = ByHand(tmp_path / "home")
    lab.say(f"worms/{HOSTILE}", b"\x1b[31m junk")
    lab.say(f"worms/{HOSTILE}", '[{"n":"temperature","v":20.5}]')
    lab.commit()
    lab.close()
    commands = Commands(tmp_path / "home", capsys)
    for listing in LISTINGS:
        for more in ((), ("--json",)):
            said = commands.run(*listing, *more)
            assert said.code == 0
            assert not UNSAFE.search(said.out.replace("\n", "")), listing
    assert "\\u202eworms" in commands.good("probes", "list")
    assert any(one["topic"] == f"worms/{HOSTILE}" for one in commands.json("probes", "list")["unplaced"])
