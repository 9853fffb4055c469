"""A command that is interrupted, or whose reader leaves, while it loads its parts, which takes seconds on a board."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.worlds.brew_home import make_brew_home

HOLD = """
import os, sys

class Hold:
    def find_spec(self, name, path=None, target=None):
        if name == os.environ["HOLD_AT"]:
            sys.meta_path.remove(self)
            os.write(2, b"held\\n")
            sys.stdin.readline()

sys.meta_path.insert(0, Hold())
"""
"""Stands still where a module is about to be loaded, until a line comes."""
LOADING = (
    "collector.cli.known_commands",
    "collector.cli.parsing",
    "collector.cli.commands.status",
    "collector.store.reader",
    "collector.domain.problems",
)


@contextmanager
def held(folder: Path, module: str, *words: str) -> Iterator[subprocess.Popen[bytes]]:
    """A command that stands still there; Ctrl-C works for it, however the tests were started."""
    (folder / "sitecustomize.py").write_text(HOLD, encoding="utf-8")
    home = make_brew_home(folder / "home").path
    with subprocess.Popen(
        [sys.executable, "-m", "collector.cli.main", *words, *(() if "--help" in words else ("--home", str(home)))],
        env={**os.environ, "PYTHONPATH": f"{folder}:{Path(__file__).parents[2]}", "HOLD_AT": module},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    ) as process:
        assert process.stderr is not None
        assert process.stderr.readline() == b"held\n"
        yield process
        process.kill()


@pytest.mark.parametrize("module", LOADING)
def test_control_c_while_it_loads_is_one_line(module: str, tmp_path: Path) -> None:
    """From the first module of ours on: 130, as shells expect, and no traceback."""
    with held(tmp_path, module, "status") as process:
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=20)
        assert (process.returncode, out, err) == (130, b"", b"interrupted\n")


@pytest.mark.parametrize("module", LOADING)
def test_a_reader_that_left_while_it_loads_is_no_error(module: str, tmp_path: Path) -> None:
    """`traywarden status | true`: exit 1 and nothing said."""
    with held(tmp_path, module, "status") as process:
        assert process.stdout is not None
        process.stdout.close()
        process.stdout = None
        _, err = process.communicate(b"go on\n", timeout=20)
        assert (process.returncode, err) == (1, b"")


def test_a_reader_that_left_before_help_is_no_error(tmp_path: Path) -> None:
    """The same for help, which is printed while the command line is read."""
    with held(tmp_path, LOADING[0], "status", "--help") as process:
        assert process.stdout is not None
        process.stdout.close()
        process.stdout = None
        _, err = process.communicate(b"go on\n", timeout=20)
        assert (process.returncode, err) == (1, b"")
