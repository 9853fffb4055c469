"""The reference page is what the code says, and says all of it."""

import argparse
from pathlib import Path

from collector.alarms.model import Kind
from collector.cli.known_commands import build_parser
from collector.cli.reference import leaf_commands, reference
from collector.config.lab_models import LabFile, ProbePart
from collector.config.rules.fields import AlarmFields
from collector.config.settings import known_variables
from collector.domain.diary import DiaryKind
from collector.domain.units import MEASURES

PAGE = Path(__file__).parents[2] / "deploy" / "REFERENCE.md"
AGAIN = "write it anew: python -m collector.cli.reference > deploy/REFERENCE.md"


def test_the_page_is_current() -> None:
    """Whoever changes a setting, a command or a field writes the page anew."""
    assert PAGE.read_text(encoding="utf-8") == reference(), AGAIN


def test_every_setting_stands_on_it_with_its_meaning() -> None:
    """One row each, no meaning left out."""
    rows = {line.split(" | ")[0].strip("| `"): line for line in reference().splitlines() if line.startswith("| `TRAY")}
    assert set(rows) == set(known_variables())
    assert [name for name, row in rows.items() if row.endswith("|  |")] == []


def test_every_command_and_option_stands_on_it() -> None:
    """All there is to type after `traywarden`."""
    text = reference()
    found = {name: parser for name, _, parser in leaf_commands(build_parser())}
    assert {"watch", "rules replay", "uplink backfill"} <= set(found)
    for name, parser in found.items():
        part = text.partition(f"### traywarden {name}\n")[2].partition("\n### ")[0]
        options = [one for action in parser._actions for one in action.option_strings]
        assert [one for one in options if one not in part and one not in ("-h", "--help", "--home")] == [], name


def test_commands_of_commands_are_found() -> None:
    """By their whole name, with their help; a group by itself is no command."""
    parser = argparse.ArgumentParser()
    below = parser.add_subparsers()
    below.add_parser("do", help="do a thing")
    group = below.add_parser("these", help="a group").add_subparsers()
    group.add_parser("list", help="list them")
    found = [(name, about) for name, about, _ in leaf_commands(parser)]
    assert found == [("do", "do a thing"), ("these list", "list them")]


def test_every_field_kind_and_measure_stands_on_it() -> None:
    """Of lab.yaml, of rules, of the diary."""
    text = reference()
    words = [*LabFile.model_fields, *AlarmFields.model_fields, *Kind, *DiaryKind, *MEASURES]
    words += [info.alias or name for name, info in ProbePart.model_fields.items()]
    assert [word for word in words if f"`{word}`" not in text] == []
