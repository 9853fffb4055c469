"""`traywarden alarms list | acknowledge | shelve | unshelve | history`."""

import argparse
from collections.abc import Mapping
from typing import Any

from collector.alarms.model import Rule
from collector.alarms.shelving import too_long
from collector.cli.common import add_span, home_of, lab_or_none, span_ms
from collector.cli.local import local_of
from collector.cli.ordering import add_by, add_json, add_reason, by_of, order, reason_of
from collector.cli.output import iso, say, say_json, table
from collector.cli.parsing import Run, command, group
from collector.cli.status.values import alarm_row
from collector.config.clock import system_now
from collector.config.home import Home
from collector.domain.problems import wrong
from collector.domain.units import MEASURES, parse_duration_ms
from collector.store.reader import Reader
from collector.store.requests import Acknowledge, Shelve, Unshelve
from collector.store.tables.alarm_rows import PastChange


def add(parser: argparse.ArgumentParser) -> None:
    under = group(parser)
    command(under, "list", "show every alarm that is not normal", "traywarden alarms list", run_list, listing=True)
    _add_order(
        under,
        "acknowledge",
        "say that someone has seen an alarm and sees to it",
        "traywarden alarms acknowledge bedding-dry --at juniper/top --by 'class 4b'",
        run_acknowledge,
    )
    shelve = _add_order(
        under,
        "shelve",
        "tell nobody of an alarm for a while; it comes back by itself",
        "traywarden alarms shelve bedding-cool --at maple/top --for '8 h' \\\n"
        "      --reason 'window being repaired' --by teacher",
        run_shelve,
    )
    shelve.add_argument("--for", dest="lasting", required=True, metavar="TIME", help="how long, such as '8 h'")
    add_reason(shelve)
    _add_order(
        under,
        "unshelve",
        "end a shelving early; whoever must hear of the alarm is told at once",
        "traywarden alarms unshelve bedding-cool --at maple/top --by teacher",
        run_unshelve,
    )
    history = command(
        under, "history", "show what alarms did", "traywarden alarms history --since '7 d'", run_history, listing=True
    )
    add_span(history)


def _add_order(under: Any, name: str, about: str, example: str, run: Run) -> argparse.ArgumentParser:
    """A command that orders something of one alarm at one place."""
    parser = command(under, name, about, example, run)
    parser.add_argument("name", help="name of the alarm")
    parser.add_argument("--at", required=True, metavar="PLACE", help="place of the alarm, such as juniper/top")
    add_by(parser)
    add_json(parser)
    return parser


def run_list(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    local = local_of(lab_or_none(home))
    with Reader(home.database) as reader:
        series = {stored.id: stored for stored in reader.series()}
        rows = [alarm_row(held, series, iso if arguments.json else local.time) for held in reader.alarms()]
    if arguments.json:
        say_json(rows)
    elif rows:
        shown = [[r["priority"], r["name"], r["at"], r["state"], r["since"] or "", r["probe"]] for r in rows]
        table(("priority", "alarm", "at", "state", local.titled("since"), "probe"), shown)
    else:
        say("no alarms")
    return 0


def run_acknowledge(arguments: argparse.Namespace) -> int:
    return order(arguments, Acknowledge(rule=arguments.name, place=arguments.at, by=by_of(arguments)))


def run_shelve(arguments: argparse.Namespace) -> int:
    try:
        lasting_ms = parse_duration_ms(arguments.lasting)
    except ValueError as error:
        wrong(f"--for: {error}")
    problem = too_long(lasting_ms)  # said here too: where no collector runs nobody else would
    if problem is not None:
        wrong(f"--for: {problem}")
    return order(
        arguments,
        Shelve(
            rule=arguments.name,
            place=arguments.at,
            until_ms=system_now() + lasting_ms,
            reason=reason_of(arguments),
            by=by_of(arguments),
        ),
    )


def run_unshelve(arguments: argparse.Namespace) -> int:
    return order(arguments, Unshelve(rule=arguments.name, place=arguments.at, by=by_of(arguments)))


def run_history(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    local = local_of(lab_or_none(home))
    since, until = span_ms(arguments, system_now(), local.zone)
    with Reader(home.database) as reader:
        changes = [c for c in reader.history(since or 0, at_most=100_000) if until is None or c.t_ms < until]
    changes.reverse()
    rules = _rules_of(home)
    if arguments.json:
        say_json([_as_json(change, rules.get(change.rule)) for change in changes])
        return 0
    table(
        (local.titled("time"), "alarm", "at", "what", "before", "after", "value", "by", "why"),
        [
            (
                local.time(c.t_ms),
                *(c.rule, c.place, c.event, c.before, c.after),
                _value(c, rules.get(c.rule), local.us),
                *(c.by, c.note),
            )
            for c in changes
        ],
    )
    return 0


def _rules_of(home: Home) -> Mapping[str, Rule]:
    """By whose kinds values have their units; those that can be read, since what is stored must show."""
    return {alarm.name: alarm.rule for alarm in home.examine_rules()[0].alarms}


def _value(change: PastChange, rule: Rule | None, us: bool) -> str:
    """A plain number where the rule is no more, as nobody knows then what it was."""
    from collector.alarms.words import show_amount  # with it comes all that judges readings

    if change.value is None or change.measure not in MEASURES:
        return ""
    return f"{change.value:.6g}" if rule is None else show_amount(rule, change.measure, change.value, us)


def _unit(change: PastChange, rule: Rule | None) -> str | None:
    """Of `value` and `worst`; None where the rule is no more, or where it has none."""
    from collector.alarms.words import unit_of

    return unit_of(rule, change.measure) or None if rule is not None and change.measure in MEASURES else None


def _as_json(change: PastChange, rule: Rule | None) -> dict[str, Any]:
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
        "unit": _unit(change, rule),
        "by": change.by,
        "why": change.note,
        "until": iso(change.until_ms),
        "noticed": iso(change.noticed_ms),
    }
