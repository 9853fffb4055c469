"""`traywarden rules list [NAME]`: what is in effect, and which line of which file says so."""

import argparse
import shutil
import textwrap
from collections.abc import Sequence
from typing import Any

from collector.alarms.kinds.kind import About
from collector.alarms.kinds.setpoint import DIFFERENCE, RATE, possible
from collector.alarms.kinds.table import kind_of
from collector.alarms.model import Rule
from collector.cli.common import home_of, lab_or_none
from collector.cli.output import say, say_json, say_lines, table
from collector.cli.parsing import takes
from collector.config.rules.fields import SAID
from collector.config.rules.layers import FIELDS, LayeredAlarm, Origin
from collector.domain.problems import nearest, wrong
from collector.domain.said_quantities import in_units_of
from collector.domain.units import MEASURES, show_duration, show_value

_LEFT_OUT = {"where": "everywhere", "deadband": "0", "on_delay": "0 s", "off_delay": "0 s", "enabled": "yes"}
"""What a field means that is not there."""
_SHORT = 24
"""Values of more characters have lines of their own."""
_HEAD = ("alarm", "kind", "of what", "where", "setpoint", "on-delay", "priority", "respond in", "this lab", "from")
"""Of what: a measure, or the thing that is overdue, which has no delay."""


def add(parser: argparse.ArgumentParser) -> None:
    takes(parser, "traywarden rules list bedding-dry", run_list, listing=True)
    parser.add_argument("name", metavar="NAME", nargs="?", help="this alarm in full")


def run_list(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    lab = lab_or_none(home)
    us = lab is not None and lab.us_units
    alarms = home.load_rule_set().alarms
    if arguments.name:
        alarms = (_called(arguments.name, alarms),)
    if arguments.json:
        say_json([_as_json(alarm) for alarm in alarms])
    elif arguments.name:
        _in_full(alarms[0], us)
    else:
        table(_HEAD, [_row(alarm, us) for alarm in alarms])
        _changes(alarms, us)
    return 0


def _called(name: str, alarms: Sequence[LayeredAlarm]) -> LayeredAlarm:
    found = next((alarm for alarm in alarms if alarm.name == name), None)
    if found is None:
        guess = nearest(name, [alarm.name for alarm in alarms])
        wrong(
            f"no alarm is called '{name}'" + (f"; did you mean '{guess}'?" if guess else "; see: traywarden rules list")
        )
    return found


def _row(alarm: LayeredAlarm, us: bool) -> list[str]:
    rule = alarm.rule
    return [
        rule.name,
        rule.kind,
        rule.what or rule.measure or "any",
        ", ".join(rule.where) or "everywhere",
        _setpoint(alarm, us),
        "-" if rule.what else show_duration(rule.on_delay_ms),
        rule.priority,
        show_duration(rule.time_to_respond_ms),
        _mark(alarm),
        str(alarm.base),
    ]


def _mark(alarm: LayeredAlarm) -> str:
    """What the lab makes of it: off, new, changed, or nothing."""
    if not alarm.enabled:
        return "OFF"
    return "new" if alarm.shipped is None else "changed" if alarm.changed else ""


def _changes(alarms: Sequence[LayeredAlarm], us: bool) -> None:
    """Below the table: each value that is not as it ships."""
    rows = [
        (
            f"{alarm.name}.{name}",
            _shown(alarm.rule, name, alarm.values.get(name), us),
            _shown(alarm.rule, name, alarm.shipped.get(name), us),
            alarm.origins[name],
        )
        for alarm in alarms
        if alarm.shipped is not None
        for name in alarm.changed
    ]
    if rows:
        say()
        table(("changed here", "to", "ships as", "by"), [[_cut(str(cell)) for cell in row] for row in rows])


def _in_full(alarm: LayeredAlarm, us: bool) -> None:
    states = {
        "OFF": "switched off",
        "new": "does not ship, added by this lab",
        "changed": "ships, changed by this lab",
        "": "as it ships",
    }
    say(f"{alarm.name}: {states[_mark(alarm)]}")
    rows = [(name, alarm.origins.get(name), alarm.values.get(name)) for name in FIELDS]
    wide, width = max(map(len, FIELDS)), max(60, shutil.get_terminal_size().columns)
    for name, origin, value in rows:
        said = _shown(alarm.rule, name, value, us) if name in alarm.values else _LEFT_OUT.get(name, "-")
        place = _place(alarm, name, origin)
        short = len(said) <= _SHORT
        say(f"  {name:<{wide}}  {said if short else '':<{_SHORT}}  {place}")
        if not short:
            say_lines(textwrap.fill(said, width, initial_indent="      ", subsequent_indent="      "))


def _place(alarm: LayeredAlarm, name: str, origin: Origin | None) -> str:
    if origin is None:
        return "(left out)"
    return str(origin) if name in alarm.values else f"{origin} (taken away)"


def _written(value: Any) -> str:
    """As a person writes it into a file."""
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(_written(part) for part in value)
    return " ".join(str(value).split())


def _cut(text: str) -> str:
    return text if len(text) <= 60 else f"{text[:57]}..."


def _setpoint(alarm: LayeredAlarm, us: bool) -> str:
    """In the units this lab reads where it is a plain value, else as written."""
    rule = alarm.rule
    if kind_of(rule).about is About.LEVEL:
        return show_value(rule.measure, rule.setpoint, us)
    return _shown(rule, "setpoint", alarm.values.get("setpoint"), us)


def _shown(rule: Rule, name: str, written: Any, us: bool) -> str:
    """A field in the units this lab reads; where they are those of the file, as it is written there."""
    if name in SAID:
        return in_units_of(_written(written), us)
    compared, measure = kind_of(rule).setpoint, MEASURES.get(rule.measure)
    differs = us and measure is not None and measure.dimension == "temperature" and compared.of_measure
    if not differs or measure is None or written is None or name not in ("setpoint", "deadband", "beyond"):
        return _written(written)
    if name == "beyond":
        return show_value(measure.name, possible(written, measure), us)
    if name == "deadband":
        return (compared if compared is RATE else DIFFERENCE).show(
            measure.name, compared.parse_deadband(written, measure), us
        )
    value = compared.parse(written, measure)
    return ("+" if compared.signed and value > 0 else "") + compared.show(measure.name, value, us)


def _as_json(alarm: LayeredAlarm) -> dict[str, Any]:
    rule = alarm.rule
    return {
        "name": rule.name,
        "enabled": alarm.enabled,
        "kind": str(rule.kind),
        "measure": rule.measure,
        "what": rule.what,
        "where": list(rule.where),
        "setpoint": rule.setpoint,
        "deadband": rule.deadband,
        "on_delay_s": rule.on_delay_ms / 1000,
        "off_delay_s": rule.off_delay_ms / 1000,
        "priority": str(rule.priority),
        "consequence": in_units_of(rule.consequence, us=False),
        "corrective_action": in_units_of(rule.corrective_action, us=False),
        "time_to_respond_s": rule.time_to_respond_ms / 1000,
        "basis": in_units_of(rule.basis, us=False),
        "from": rule.source,
        "ships": alarm.shipped is not None,
        "changed": list(alarm.changed) if alarm.shipped is not None else [],
        "written": dict(alarm.values),
        "origins": {
            name: {"file": at.file, "line": at.line, "column": at.column, "site": at.site}
            for name, at in alarm.origins.items()
        },
    }
