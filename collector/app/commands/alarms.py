"""`traywarden alarms list | acknowledge | shelve | history`."""

import argparse
from collections.abc import Mapping
from typing import Any

from collector.app.clock import system_now
from collector.app.commands.asking import NOT_RUNNING, ask
from collector.app.commands.common import add_span, command, group, home_of, lab_or_none, span_ms, zone_of
from collector.app.output import iso, local, say, say_json, table, wrong
from collector.app.pipeline import ORDERS
from collector.app.report import alarm_row
from collector.domain.units import parse_duration_ms, show_value
from collector.store.reader import PastChange, Reader


def add(commands: Any) -> None:
    under = group(commands, "alarms", "see alarms, acknowledge or shelve them, read their history")
    command(under, "list", "show every alarm that is not normal", "traywarden alarms list", run_list, listing=True)
    acknowledge = command(
        under,
        "acknowledge",
        "say that someone has seen an alarm and sees to it",
        "traywarden alarms acknowledge bedding-dry --at juniper/top --by 'class 4b'",
        run_acknowledge,
    )
    acknowledge.add_argument("name", help="name of the alarm")
    acknowledge.add_argument("--at", required=True, metavar="PLACE", help="place of the alarm, such as juniper/top")
    acknowledge.add_argument("--by", required=True, metavar="WHO", help="a role or a group, never a pupil's name")
    _add_shelve(under)
    history = command(
        under, "history", "show what alarms did", "traywarden alarms history --since '7 d'", run_history, listing=True
    )
    add_span(history)


def _add_shelve(under: Any) -> None:
    shelve = command(
        under,
        "shelve",
        "tell nobody of an alarm for a while; it comes back by itself",
        "traywarden alarms shelve bedding-cool --at maple/top --for '8 h' \\\n"
        "      --reason 'window being repaired' --by teacher",
        run_shelve,
    )
    shelve.add_argument("name", help="name of the alarm")
    shelve.add_argument("--at", required=True, metavar="PLACE", help="place of the alarm, such as juniper/top")
    shelve.add_argument("--for", dest="lasting", required=True, metavar="TIME", help="how long, such as '8 h'")
    shelve.add_argument("--reason", required=True, help="why, for whoever asks later")
    shelve.add_argument("--by", required=True, metavar="WHO", help="a role or a group, never a pupil's name")


def run_list(arguments: argparse.Namespace) -> int:
    with Reader(home_of(arguments).database) as reader:
        series = {one.id: one for one in reader.series()}
        rows = [alarm_row(held, series) for held in reader.alarms()]
    if arguments.json:
        say_json(rows)
    elif rows:
        shown = [[r["priority"], r["name"], r["at"], r["state"], r["since"] or "", r["probe"]] for r in rows]
        table(("priority", "alarm", "at", "state", "since", "probe"), shown)
    else:
        say("no alarms")
    return 0


def run_acknowledge(arguments: argparse.Namespace) -> int:
    return _order(arguments, "acknowledge", {})


def run_shelve(arguments: argparse.Namespace) -> int:
    try:
        lasting_ms = parse_duration_ms(arguments.lasting)
    except ValueError as error:
        wrong(f"--for: {error}")
    if not arguments.reason.strip() or not arguments.reason.isprintable() or len(arguments.reason) > 200:
        wrong("--reason: one line of plain text, 200 letters at most, such as 'window being repaired'")
    more = {"until_ms": system_now() + lasting_ms, "reason": arguments.reason.strip()}
    return _order(arguments, "shelve", more)


def _order(arguments: argparse.Namespace, kind: str, more: Mapping[str, object]) -> int:
    """Have the collector do something to one alarm; 0 where it did or will."""
    if not arguments.by.strip() or not arguments.by.isprintable() or len(arguments.by) > 60:
        wrong("--by: a role or a group in plain letters, 60 at most, such as 'class 4b'")
    body = {"rule": arguments.name, "place": arguments.at, "by": arguments.by.strip(), **more}
    answer = ask(home_of(arguments), kind, body)
    if answer is None:
        say(NOT_RUNNING)
        return 0
    say(answer)
    return 0 if answer == ORDERS[kind] else 1


def run_history(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    zone = zone_of(home)
    since, until = span_ms(arguments, system_now(), zone)
    with Reader(home.database) as reader:
        changes = [c for c in reader.history(since or 0, at_most=100_000) if until is None or c.t_ms < until]
    changes.reverse()
    if arguments.json:
        say_json([_as_json(change) for change in changes])
        return 0
    lab = lab_or_none(home)
    us = lab is not None and lab.us_units
    rows = [[local(c.t_ms, zone), c.rule, c.place, c.event, c.before, c.after, _value(c, us), c.by] for c in changes]
    table(("time", "alarm", "at", "what", "before", "after", "value", "by"), rows)
    return 0


def _value(change: PastChange, us: bool) -> str:
    return show_value(change.measure, change.value, us) if change.measure and change.value is not None else ""


def _as_json(change: PastChange) -> dict[str, Any]:
    return {
        "time": iso(change.t_ms),
        "name": change.rule,
        "at": change.place,
        "event": str(change.event),
        "before": str(change.before),
        "after": str(change.after),
        "priority": change.priority,
        "since": iso(change.since_ms),
        "value": change.value,
        "worst": change.worst,
        "by": change.by,
        "noticed": iso(change.noticed_ms),
    }
