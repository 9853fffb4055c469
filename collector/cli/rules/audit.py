"""`traywarden rules audit`: what the alarms did, beside limits and targets, and what would have helped."""

import argparse
import itertools
import math
from array import array
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from collector.alarms.audit.figures import Actor, Audit, Window, audit
from collector.alarms.audit.limits import DAY, ENOUGH_DAYS
from collector.alarms.audit.suggest import FLEETING_NUMBER, Advice, advise, rungs
from collector.alarms.audit.trial import Stage, no_trial, stage_series
from collector.alarms.chunk import Readings, readings_of
from collector.alarms.contexts import Contexts
from collector.cli.common import add_span, home_of, lab_or_none, span_ms
from collector.cli.local import local_of
from collector.cli.output import complain, progress_bar, say_json
from collector.cli.parsing import takes
from collector.cli.rules.audit_text import AuditFinding, audit_json, say_audit
from collector.config.clock import system_now
from collector.config.rules.layers import LayeredAlarm
from collector.domain.lab import Lab, Series, SeriesKey, series_keys, subjects
from collector.domain.readings import Why
from collector.store.localdays import LocalDays
from collector.store.reader import Reader
from collector.store.tables.alarm_rows import PastChange

_BEFORE_MS = 90 * DAY
"""Changes from this long before the window are read too, for alarms that stood when it began."""
_MOST_CHANGES = 500_000


def add(parser: argparse.ArgumentParser) -> None:
    takes(parser, "traywarden rules audit --since '30 d'", run_audit, listing=True)
    add_span(parser)


def run_audit(arguments: argparse.Namespace) -> int:
    home, now_ms = home_of(arguments), system_now()
    given = lab_or_none(home)
    local = local_of(given)
    zone = local.zone
    since, until = span_ms(arguments, now_ms, zone)
    lab = given or Lab(name="", time_zone=zone, us_units=False, places=(), probes=(), people=())
    alarms = {alarm.name: alarm for alarm in home.load_rule_set().alarms}
    until = now_ms if until is None else until
    with Reader(home.database) as reader:
        window = _window(reader, until - ENOUGH_DAYS * DAY if since is None else since, until, zone)
        changes = _changes(reader, window)
        respond = {name: alarm.rule.time_to_respond_ms for name, alarm in alarms.items()}
        found = audit(changes, window, ZoneInfo(zone), respond)
        findings = _suggest(reader, found, alarms, lab)
    if arguments.json:
        say_json(audit_json(found, findings))
    else:
        say_audit(found, findings, local)
    return 0


def _window(reader: Reader, since_ms: int, until_ms: int, zone: str) -> Window:
    """The stretch from the first reading on, and the days of it that have readings."""
    span = reader.span()
    if span is None:
        return Window(since_ms, until_ms, 0)
    since_ms = min(max(since_ms, span[0]), until_ms)
    days = LocalDays(zone)
    heard = {str(row.start) for row in reader.daily(days.at(since_ms).name, days.at(until_ms).name)}
    watched, day = 0, days.at(since_ms)
    while day.start_ms < until_ms:
        start_ms, end_ms = max(day.start_ms, since_ms), min(day.end_ms, until_ms)
        if day.name in heard or any(True for _ in reader.readings(start_ms, end_ms)):  # not summed up yet
            watched += end_ms - start_ms
        day = days.at(day.end_ms)
    return Window(since_ms, until_ms, watched)


def _changes(reader: Reader, window: Window) -> list[PastChange]:
    changes = reader.history(window.since_ms - _BEFORE_MS, at_most=_MOST_CHANGES)
    if len(changes) == _MOST_CHANGES:
        complain(f"only the newest {_MOST_CHANGES:,} changes of alarms are looked at; give a later --since")
    return changes


class _Bad(NamedTuple):
    """A bad actor and what its suggestion takes."""

    actor: Actor
    alarm: LayeredAlarm | None
    at: Series | None
    series: tuple[Series, ...]

    @property
    def steps(self) -> int:
        """How many runs its suggestion takes at most."""
        return 1 if self.alarm is None else max(1, rungs(self.alarm.rule))


def _suggest(reader: Reader, found: Audit, alarms: Mapping[str, LayeredAlarm], lab: Lab) -> list[AuditFinding]:
    """For every bad actor what would have helped."""
    known = _known(reader, lab)
    bad = [_bad(actor, alarms.get(actor.alarm.rule), known, lab) for actor in found.actors if _is_bad(actor)]
    readings = _readings(reader, found.window, {series.id for suspect in bad for series in suspect.series})
    contexts = Contexts(lab, reader.diary(), reader.brews()) if bad else None
    bar, total, done = progress_bar("trying deadbands and delays"), sum(suspect.steps for suspect in bad), 0
    findings = []
    for suspect in bad:
        stage = Stage(
            lab=lab,
            series=suspect.series,
            readings={series.id: readings[series.id] for series in suspect.series},
            contexts=contexts,
        )
        tried = _counter(bar, done, total)
        findings.append(AuditFinding(suspect.actor, suspect.alarm, _advice(suspect, stage, found.window, tried)))
        done += suspect.steps
        bar(done, total)
    return findings


def _known(reader: Reader, lab: Lab) -> list[Series]:
    """The series of the journal, those of the lab first and in its order."""
    order = {key: number for number, key in enumerate((*series_keys(lab), *subjects(lab)))}
    known = [row.as_series() for row in reader.series()]
    return sorted(
        known,
        key=lambda series: order.get(
            SeriesKey(probe=series.probe, channel=series.channel, measure=series.measure, place=series.place),
            len(order),
        ),
    )


def _bad(actor: Actor, alarm: LayeredAlarm | None, known: Sequence[Series], lab: Lab) -> _Bad:
    at = next((series for series in known if series.id == actor.alarm.series), None)
    tried = alarm is not None and at is not None and _calls_too_often(actor)
    series = stage_series(alarm.rule, at, known, lab) if tried and alarm is not None and at is not None else ()
    return _Bad(actor, alarm, at, series)


def _is_bad(actor: Actor) -> bool:
    return _calls_too_often(actor) or actor.stale > 0


def _calls_too_often(actor: Actor) -> bool:
    return actor.bouts_minute > 0 or actor.bouts_hour > 0 or actor.fleeting_hour >= FLEETING_NUMBER


def _counter(bar: Callable[[int, int], None], done: int, total: int) -> Callable[[], None]:
    counted = itertools.count(done + 1)
    return lambda: bar(next(counted), total)


def _advice(suspect: _Bad, stage: Stage, window: Window, tried: Callable[[], None]) -> Advice:
    if not _calls_too_often(suspect.actor):
        reason = "it stood for more than a day: see to it, or ask why nothing could be done; no delay is at fault"
    elif suspect.alarm is None:
        reason = "no rule of this name is left"
    elif not suspect.alarm.enabled:
        reason = "it is switched off by now"
    elif suspect.at is None:
        reason = no_trial(suspect.alarm.rule) or "its series is not in the journal"
    else:
        return advise(suspect.alarm.rule, suspect.at, stage, window.until_ms, tried)
    return Advice(fault="", alarms=0, needless=0, bouts=0, true=0, why_not=reason)


def _readings(reader: Reader, window: Window, wanted: Collection[int]) -> dict[int, Readings]:
    """What is stored of these series, without what came late and so was never judged."""
    columns = {number: (array("q"), array("d"), array("H"), array("H")) for number in wanted}
    rows = reader.readings(window.since_ms, window.until_ms, wanted) if wanted else ()
    for t_ms, number, value, flag, _, why in rows:
        if not why & Why.LATE:
            times, values, flags, whys = columns[number]
            times.append(t_ms)
            values.append(math.nan if value is None else value)
            flags.append(flag)
            whys.append(why)
    return {number: _as_readings(*kept) for number, kept in columns.items()}


def _as_readings(t_ms: "array[int]", value: "array[float]", flags: "array[int]", why: "array[int]") -> Readings:
    return readings_of(
        np.array(t_ms, np.int64), np.array(value, np.float64), np.array(flags, np.uint8), np.array(why, np.uint16)
    )
