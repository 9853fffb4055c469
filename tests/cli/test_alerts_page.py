"""deploy/ALERTS.md: what it tells people to write can be written."""

import json
import re
import textwrap
from datetime import date
from pathlib import Path

import pytest

from collector.cli.main import main
from collector.config.lab_file import calendar_names, read_lab
from collector.config.lab_template import LAB_TEMPLATE
from collector.config.yaml.text import read_yaml
from tests.worlds.home import make_home

ALERTS = Path(__file__).parents[2] / "deploy" / "ALERTS.md"


def test_the_rules_shown_are_taken_as_they_stand(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The example for rules/site.yaml, copied from the page, has no mistake and changes what it says."""
    (block,) = re.findall(r"(?m)^    alarms:\n(?:      .*\n)+", ALERTS.read_text(encoding="utf-8"))
    home = make_home(tmp_path / "home")
    (home / "rules" / "site.yaml").write_text(textwrap.dedent(block), encoding="utf-8")
    assert main(["rules", "check", "--home", str(home)]) == 0
    assert "1 switched off" in capsys.readouterr().out
    assert main(["rules", "list", "bedding-dry", "--home", str(home)]) == 0
    assert "62 %" in capsys.readouterr().out


def test_the_lab_shown_is_taken_as_it_stands() -> None:
    """Its sections, laid over the lab that `init` writes, are read, and its calendars and people are in it."""
    (block,) = re.findall(r"(?m)^    lab:\n(?:      .*\n|    \w+:\n)+", ALERTS.read_text(encoding="utf-8"))
    shown, lab = textwrap.dedent(block), read_yaml(LAB_TEMPLATE, "lab.yaml").data
    for section, said in read_yaml(shown, "ALERTS.md").data.items():
        lab[section] = lab[section] | said if section == "lab" else said
    found = read_lab(json.dumps(lab))
    assert found.school_days.closed[1] == (date(2026, 12, 21), date(2027, 1, 3))
    assert calendar_names(shown) == ("calendars/",)
    assert [person.turn for person in found.people] == [1, 2]
