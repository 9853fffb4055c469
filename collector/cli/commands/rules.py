"""`traywarden rules check`, and where `list`, `audit` and `replay` are."""

import argparse

from collector.cli.common import home_of, lab_or_none
from collector.cli.output import complain, say, say_json
from collector.cli.parsing import command, group, later


def add(parser: argparse.ArgumentParser) -> None:
    under = group(parser)
    command(
        under, "check", "report everything wrong in all rule files", "traywarden rules check", run_check, listing=True
    )
    showing = "show each alarm as it is in effect, and the file and line each value comes from"
    later(under, "list", showing, "collector.cli.rules.listing:add")
    measuring = "measure what the alarms did by ISA-18.2 / IEC 62682 and suggest what to change in the rules"
    later(under, "audit", measuring, "collector.cli.rules.audit:add")
    running = "run stored readings through the rules: what people would have been told"
    later(under, "replay", running, "collector.cli.rules.replay:add")


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
