"""`traywarden init`: a commented lab.yaml, its schema for editors, and a rules folder to start from."""

import argparse
import json
from pathlib import Path
from typing import Any

from collector.alarms.rulefile import rules_schema
from collector.app.commands.common import command, home_of
from collector.app.output import say, wrong
from collector.domain.labfile import lab_schema
from collector.domain.labtemplate import LAB_TEMPLATE

_SITE_RULES = """\
# yaml-language-server: $schema=../rules.schema.json
#
# Changes of this lab to the alarm rules that ship. See them all, with where each comes from:
#   traywarden rules list
# An alarm written here replaces the shipped one of the same name; a new name is one more alarm. Check with:
#   traywarden rules check
#
# alarms:
#   bedding-dry:
#     kind: low
#     measure: bedding_moisture
#     setpoint: 62 %
#     deadband: 2 %
#     on_delay: 15 min
#     off_delay: 15 min
#     priority: high
#     consequence: Worms breathe through a wet skin; below 60 % they weaken within hours and die within days.
#     corrective_action: Spray water over the whole tray until a squeezed handful gives a drop or two.
#     time_to_respond: 6 h
#     basis: our own bedding, judged by squeeze test
alarms: {}
"""


def add(commands: Any) -> None:
    command(
        commands,
        "init",
        "write a commented lab.yaml and rules/ to start from",
        "traywarden init --home ~/traywarden",
        run,
    )


def run(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    wanted = {
        home.lab_file: LAB_TEMPLATE,
        home.path / "lab.schema.json": json.dumps(lab_schema(), indent=1) + "\n",
        home.path / "rules.schema.json": json.dumps(rules_schema(), indent=1) + "\n",
        home.rules_folder / "site.yaml": _SITE_RULES,
    }
    try:
        home.rules_folder.mkdir(parents=True, exist_ok=True)
        for path, text in wanted.items():
            _write(path, text, keep=path.suffix == ".yaml")
    except OSError as error:
        wrong(f"{error.filename}: cannot be written: {error.strerror}")
    say(f"Next: edit {home.lab_file}, then run: traywarden checkup --home {home.path}")
    return 0


def _write(path: Path, text: str, *, keep: bool) -> None:
    """What a person may have edited is never overwritten; the schemas are ours to refresh."""
    if keep and path.exists():
        say(f"kept     {path} (already there)")
        return
    path.write_text(text, encoding="utf-8")
    say(f"written  {path}")
