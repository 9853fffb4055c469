"""`traywarden init`: a commented lab.yaml, its schema for editors, and a rules folder to start from."""

import argparse
import json
from pathlib import Path

from collector.cli.common import home_of
from collector.cli.output import say
from collector.cli.parsing import takes
from collector.config.lab_file import lab_schema
from collector.config.lab_template import LAB_TEMPLATE, SCHEMA_FILE
from collector.config.rules.layers import site_schema
from collector.domain.problems import wrong

SITE_RULES = """\
# Changes of this lab to the alarms that ship, field by field. See each value that holds, and which line says so:
#   traywarden rules list
#   traywarden rules list bedding-dry
# What is not written here stays as it ships. A name that does not ship is one more alarm and must be complete. Check:
#   traywarden rules check
# A running collector takes up a changed file within a few seconds; one with mistakes changes nothing.
# An editor that checks YAML against a JSON Schema can be given ../rules.schema.json.
#
# alarms:
#   bedding-dry:
#     setpoint: 62 %            # this one value is changed
#     basis: our own bedding, judged by squeeze test
#   bedding-wet:
#     deadband: null            # taken away, where an alarm can do without
#   bedding-cool:
#     enabled: no               # switched off; 'rules list' shows it as OFF
#   room-cold:                  # one more alarm
#     kind: low
#     measure: air_temperature
#     where: room
#     setpoint: 8 degC
#     deadband: 1 degC
#     on_delay: 30 min
#     off_delay: 30 min
#     priority: medium
#     consequence: The bins cool down overnight; below {4 degC} worms die.
#     corrective_action: See to the heating. Adults move the bins, tray by tray, into a heated room.
#     time_to_respond: 12 h
#     basis: common practice, no source
alarms: {}
"""


def add(parser: argparse.ArgumentParser) -> None:
    takes(parser, "traywarden init --home ~/traywarden", run)


def run(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    wanted = {
        home.lab_file: LAB_TEMPLATE,
        home.path / SCHEMA_FILE: json.dumps(lab_schema(), indent=1) + "\n",
        home.path / "rules.schema.json": json.dumps(site_schema(), indent=1) + "\n",
        home.rules_folder / "site.yaml": SITE_RULES,
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
