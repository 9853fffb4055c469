"""`traywarden rules check | list`."""

import argparse
from typing import Any

from collector.alarms.model import Kind, Rule
from collector.alarms.rulecheck import rule_warnings
from collector.app.commands.common import command, group, home_of, lab_or_none
from collector.app.output import complain, say, say_json, table
from collector.domain.problems import Refused
from collector.domain.units import show_duration, show_value


def add(commands: Any) -> None:
    under = group(commands, "rules", "check and show the alarm rules in force")
    command(
        under, "check", "report everything wrong in all rule files", "traywarden rules check", run_check, listing=True
    )
    command(under, "list", "show each alarm and where it comes from", "traywarden rules list", run_list, listing=True)


def run_check(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    lab = lab_or_none(home)
    try:
        rules = home.load_rules()
        problems = rule_warnings(rules, lab) if lab is not None else ()
    except Refused as refused:
        rules, problems = (), refused.problems
    wrong = any(problem.severity == "error" for problem in problems)
    if arguments.json:
        fields = ("file", "line", "column", "field", "message", "severity")
        say_json([{name: getattr(problem, name) for name in fields} for problem in problems])
    else:
        for problem in problems:
            complain(str(problem))
        if lab is None:
            complain("lab.yaml cannot be read, so nothing was checked against its places (see: traywarden checkup)")
        if not wrong:
            say(f"{len(rules)} alarms, good" + (f"; {len(problems)} warnings" if problems else ""))
    return 1 if wrong else 0


def run_list(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    lab = lab_or_none(home)
    rules = home.load_rules()
    us = lab is not None and lab.us_units
    if arguments.json:
        say_json([_as_json(rule) for rule in rules])
        return 0
    rows = [
        [
            rule.name,
            rule.kind,
            rule.measure or "any",
            ", ".join(rule.where) or "everywhere",
            _setpoint(rule, us),
            show_duration(rule.on_delay_ms),
            rule.priority,
            show_duration(rule.time_to_respond_ms),
            rule.source,
        ]
        for rule in rules
    ]
    table(("alarm", "kind", "measure", "where", "setpoint", "on-delay", "priority", "respond in", "from"), rows)
    return 0


def _setpoint(rule: Rule, us: bool) -> str:
    return (
        show_duration(round(rule.setpoint)) if rule.kind is Kind.SILENT else show_value(rule.measure, rule.setpoint, us)
    )


def _as_json(rule: Rule) -> dict[str, Any]:
    return {
        "name": rule.name,
        "kind": str(rule.kind),
        "measure": rule.measure,
        "where": list(rule.where),
        "setpoint": rule.setpoint,
        "deadband": rule.deadband,
        "on_delay_s": rule.on_delay_ms / 1000,
        "off_delay_s": rule.off_delay_ms / 1000,
        "priority": str(rule.priority),
        "consequence": rule.consequence,
        "corrective_action": rule.corrective_action,
        "time_to_respond_s": rule.time_to_respond_ms / 1000,
        "basis": rule.basis,
        "from": rule.source,
    }
