"""Commands run in this process, in a home with a brewer, while the clock stands."""

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.cli.main import main
from collector.config.home import Home
from tests.worlds.brew_home import journal_of, make_brew_home
from tests.worlds.values import T0


@pytest.fixture
def brew_home(tmp_path: Path) -> Home:
    """A lab with a brewer and its pump, whose collector has run before and does not now."""
    return make_brew_home(tmp_path / "home")


@pytest.fixture
def at_eight(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], None]:
    """The clock stands at eight for commands in this process; call it to set another time."""

    def set_to(now_ms: int) -> None:
        monkeypatch.setattr(time, "time_ns", lambda: now_ms * 1_000_000)

    set_to(T0)
    return set_to


@pytest.fixture
def said(brew_home: Home, at_eight: Callable[[int], None], capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """Runs a command that must succeed; what it printed."""

    def run_it(*arguments: str) -> str:
        capsys.readouterr()
        assert main([*arguments, "--home", str(brew_home.path)]) == 0
        return capsys.readouterr().out

    return run_it


@pytest.fixture
def refused(brew_home: Home, at_eight: Callable[[int], None], capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """Runs a command that must be refused in one line and write nothing; that line."""

    def waiting() -> int:
        with journal_of(brew_home) as journal:
            return len(journal.pending_requests())

    def run_it(*arguments: str) -> str:
        before = waiting()
        capsys.readouterr()
        assert main([*arguments, "--home", str(brew_home.path)]) == 1
        printed = capsys.readouterr()
        assert printed.out == ""
        assert printed.err.count("\n") == 1
        assert waiting() == before
        return printed.err.strip()

    return run_it
