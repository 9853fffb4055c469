"""`traywarden rules check | list`."""

import argparse
from typing import Any

from collector.cli.common import command, group, home_of, lab_or_none
from collector.cli.output import complain, say, say_json
from collector.cli.rules import audit, replay
from collector.cli.rules.listing import run_list


def add(commands: Any) -> None:
    under = group(commands, "rules", "check and show the alarm rules in force")
    command(
        under, "check", "report everything wrong in all rule files", "traywarden rules check", run_check, listing=True
    )
    about = "show each alarm as it is in effect, and the file and line each value comes from"
    listed = command(under, "list", about, "traywarden rules list bedding-dry", run_list, listing=True)
    listed.add_argument("name", metavar="NAME", nargs="?", help="this alarm in full")
    audit.add(under)
    replay.add(under)


def run_check(arguments: argparse.Namespace) -> int:
    """Everything wrong first, then what may not do what was meant."""
    home = home_of(arguments)
    lab = lab_or_none(home)
    rules, errors = home.examine_rules()
    warnings = rules.notes if lab is None else rules.warnings(lab)
    problems = (*errors, *warnings)
    if arguments.json:
        fields = ("file", "line", "column", "field", "message", "severity")
        say_json([{name: getattr(problem, name) for name in fields} for problem in problems])
    else:
        for problem in problems:
            complain(str(problem))
        if lab is None:
            complain("lab.yaml cannot be read, so nothing was checked against its places (see: traywarden checkup)")
        if not errors:
            off = len(rules.alarms) - len(rules.rules)
            doubts = _and(len(warnings), "warning" if len(warnings) == 1 else "warnings")
            say(f"{len(rules.rules)} alarms, good{_and(off, 'switched off')}{doubts}")
    return 1 if errors else 0


def _and(number: int, what: str) -> str:
    return f"; {number} {what}" if number else ""
