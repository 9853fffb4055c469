"""rules/TUNING.md: its commands, run in order in the month it tells of, print what it shows."""

import re
import shlex
import subprocess
from pathlib import Path

import pytest

from collector.cli.main import main
from tests.cli.months import make_month

GUIDE = Path(__file__).parents[2] / "rules" / "TUNING.md"
LEFT_OUT = "[...]"
_SHIPPED_LINE = re.compile(r"(rules/red-wigglers\.yaml):\d+")


def shown() -> list[tuple[str, list[str]]]:
    """Each command with the lines the guide shows of its output."""
    found: list[tuple[str, list[str]]] = []
    inside = False
    for line in GUIDE.read_text(encoding="utf-8").splitlines():
        inside = line.startswith("    ") or (inside and not line)
        if line.startswith("    $ "):
            found.append((line.removeprefix("    $ "), []))
        elif inside and line:
            found[-1][1].append(line.removeprefix("    "))
    return found


def printed(command: str, home: Path, capsys: pytest.CaptureFixture[str]) -> list[str]:
    words = shlex.split(command)
    if words[0] != "traywarden":
        subprocess.run(words, cwd=home, check=True)
        return []
    assert main(words[1:]) == 0, command
    return [_plain(line) for line in capsys.readouterr().out.splitlines() if line]


def _plain(line: str) -> str:
    """Lines of files that ship move whenever an alarm is added there."""
    return _SHIPPED_LINE.sub(r"\1", line)


@pytest.mark.slow
def test_the_tuning_guide_shows_what_the_commands_print(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every line shown is printed, in this order; between two of them nothing is left out unless the guide says so."""
    home = make_month(tmp_path / "home")
    monkeypatch.chdir(home)
    monkeypatch.setenv("TRAYWARDEN_HOME", str(home))
    commands = shown()
    assert [words for words, _ in commands if "audit" in words]
    for command, lines in commands:
        told, position = printed(command, home, capsys), 0
        gap = False
        for line in lines:
            if line == LEFT_OUT:
                gap = True
                continue
            assert _plain(line) in told[position:], f"$ {command}\nnot printed (any more): {line}"
            at = told.index(_plain(line), position)
            assert gap or at == position, f"$ {command}\nbefore this line more is printed: {line}"
            position, gap = at + 1, False
        assert gap or position == len(told), f"$ {command}\nafter the last line shown more is printed"
