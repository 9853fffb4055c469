"""README.md: what it tells people to write can be written."""

import re
import textwrap
from pathlib import Path

import pytest

from collector.app.cli import main
from tests.app.lab import make_home

README = Path(__file__).parents[2] / "README.md"


def test_the_rules_shown_are_taken_as_they_stand(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The example for rules/site.yaml, copied from the page, has no mistake and changes what it says."""
    (block,) = re.findall(r"(?m)^    alarms:\n(?:      .*\n)+", README.read_text(encoding="utf-8"))
    home = make_home(tmp_path / "home")
    (home / "rules" / "site.yaml").write_text(textwrap.dedent(block), encoding="utf-8")
    assert main(["rules", "check", "--home", str(home)]) == 0
    assert "1 switched off" in capsys.readouterr().out
    assert main(["rules", "list", "bedding-dry", "--home", str(home)]) == 0
    assert "62 %" in capsys.readouterr().out
