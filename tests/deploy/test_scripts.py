"""The shell scripts under deploy/, whoever wrote them."""

import subprocess

import pytest

from tests.deploy.machine import CHECKOUT
from tests.services.parts import need

SCRIPTS = sorted(path.name for path in (CHECKOUT / "deploy").glob("*.sh"))


def test_no_script_has_a_known_slip() -> None:
    """shellcheck finds nothing in any of them. Left out: files it cannot follow by their name at run time (SC1091) and
    functions that are called by name (SC2317), and with that names that they set (SC2154)."""
    done = subprocess.run(
        [need("shellcheck"), "-e", "SC1091,SC2154,SC2317", *SCRIPTS],
        cwd=CHECKOUT / "deploy",
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout) == (0, "")


@pytest.mark.parametrize("script", SCRIPTS)
def test_a_script_says_what_it_is_for(script: str) -> None:
    """Its head is a comment, and it stops at the first command that fails; those without a first line are sourced."""
    lines = (CHECKOUT / "deploy" / script).read_text(encoding="utf-8").splitlines()
    if not lines[0].startswith("#!"):
        assert lines[0].startswith("# What ")
        return
    assert lines[1].startswith("# ")
    assert any(line.startswith(("set -euo pipefail", "set -eu")) for line in lines)
