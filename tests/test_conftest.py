"""What the test run itself promises."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.services import parts
from tests.services.clock import FakeClock

ROOT = Path(__file__).parents[1]


def run_pytest(folder: Path, *options: str, **files: str) -> subprocess.CompletedProcess[str]:
    """A run of its own, with our hooks, over the files given."""
    for name, source in files.items():
        (folder / f"{name}.py").write_text(source, encoding="utf-8")
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-p",
        "tests.conftest",
        "-p",
        "no:cacheprovider",
        "--rootdir",
        str(folder),
    ]
    return subprocess.run(
        [*command, *options, folder],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )


def test_a_file_without_tests_fails_the_run(tmp_path: Path) -> None:
    """A test file whose tests are never collected, here for the name of their class, fails the run and is named."""
    done = run_pytest(
        tmp_path,
        test_good="def test_one(): pass",
        test_lost="class CheckFeeding:\n    def test_one(self): raise AssertionError",
    )

    assert done.returncode != 0
    assert "test_lost.py holds no test" in done.stdout


def test_the_run_counts_and_says_what_it_left_out(tmp_path: Path) -> None:
    """The end of a run says how many tests passed, failed and were skipped, and why they were skipped."""
    done = run_pytest(
        tmp_path,
        test_some=(
            "import pytest\n"
            "def test_good(): pass\n"
            "def test_bad(): assert False\n"
            "def test_without(): pytest.skip('no broker here')\n"
        ),
    )

    assert "tests: 1 passed, 1 failed, 1 skipped" in done.stdout.splitlines()
    assert "SKIPPED 1: no broker here" in done.stdout


def test_a_missing_program_fails_in_ci(monkeypatch: pytest.MonkeyPatch) -> None:
    """In CI a test cannot be left out for want of a program."""
    monkeypatch.setattr(parts, "IN_CI", True)
    monkeypatch.setitem(parts.PACKAGES, "no-such-program", "nothing")

    with pytest.raises(pytest.fail.Exception, match="apt-get install nothing"):
        parts.need("no-such-program")


def test_a_missing_program_skips_on_a_laptop(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a laptop the test is skipped, with what to install."""
    monkeypatch.setattr(parts, "IN_CI", False)
    monkeypatch.setitem(parts.PACKAGES, "no-such-program", "nothing")

    with pytest.raises(pytest.skip.Exception, match="apt-get install nothing"):
        parts.need("no-such-program")


def test_the_fake_clock_moves_only_when_told(clock: FakeClock) -> None:
    """Two looks give the same time; advancing adds exactly what was asked, in milliseconds."""
    before = clock()

    assert clock() == before
    assert clock.advance(ms=1, s=2, minutes=3, hours=4) == before + 14_582_001
    assert clock() == before + 14_582_001


def test_files_with_slow_tests_begin(tmp_path: Path) -> None:
    """What takes long is under way while the rest fills the time; within a file the order stays."""
    done = run_pytest(
        tmp_path,
        *("-v", "-W", "ignore::pytest.PytestUnknownMarkWarning"),
        test_a="def test_quick(): pass",
        test_b=(
            "import pytest\n"
            "def test_first(): pass\n"
            "@pytest.mark.slow\n"
            "def test_long(): pass\n"
        ),
    )  # fmt: skip

    assert done.returncode == 0, done.stdout
    listed = [line.split(" ")[0] for line in done.stdout.splitlines() if "::" in line]
    assert listed == ["test_b.py::test_first", "test_b.py::test_long", "test_a.py::test_quick"]
