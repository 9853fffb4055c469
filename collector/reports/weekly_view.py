"""Gathers from the journal what the weekly report tells."""

import shutil
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from collector.alarms.audit.figures import Window, audit
from collector.alarms.model import Rule
from collector.config.home import Home
from collector.domain.lab import Lab, Probe
from collector.letters.local_time import utc
from collector.reports.digest import DAY_MS
from collector.reports.digest_view import was_done
from collector.reports.weekly import Battery, ProbeWeek, Storage, WeeklyView
from collector.store.reader import Reader, Summary

WEEK_MS = 7 * DAY_MS
_BEFORE_MS = 90 * DAY_MS
_MOST_CHANGES = 100_000


def weekly_due(lab: Lab, last_day: str, now_ms: int) -> date | None:
    """The day whose report is due now: the one of `lab.telling`, from the digest's time on until its end, school day or
    not, for probes fail in holidays too."""
    local = utc(now_ms).astimezone(ZoneInfo(lab.time_zone))
    day, minute = local.date(), local.hour * 60 + local.minute
    right = day.weekday() == lab.telling.weekly_weekday and minute >= lab.telling.digest_minute
    return day if right and not was_done(last_day, day) else None


def weekly_view(
    home: Home, lab: Lab, rules: Sequence[Rule], reader: Reader, now_ms: int, told: Sequence[str]
) -> WeeklyView:
    """The seven days before the present hour. `told`: who would be told of a high alarm now, in lines."""
    zone = ZoneInfo(lab.time_zone)
    until_ms = now_ms // 3_600_000 * 3_600_000
    with reader.snapshot():
        span = reader.span()
        since_ms = until_ms - WEEK_MS if span is None else min(max(span[0], until_ms - WEEK_MS), until_ms)
        series = reader.series()
        probes = {stored.id: stored.probe for stored in series}
        batteries = {stored.id: stored.probe for stored in series if stored.measure == "battery"}
        hours = reader.hourly(since_ms, until_ms)
        changes = reader.history(since_ms - _BEFORE_MS, at_most=_MOST_CHANGES)
        respond = {rule.name: rule.time_to_respond_ms for rule in rules}
        counted = _by_series(hours)
        return WeeklyView(
            lab=lab,
            day=utc(now_ms).astimezone(zone).date(),
            audit=audit(changes, Window(since_ms, until_ms, _watched_ms(hours)), zone, respond),
            heard=[_heard(probe, counted, probes, until_ms - since_ms) for probe in lab.probes if probe.topic],
            batteries=_batteries(lab, reader, batteries, now_ms),
            storage=Storage(_size(home), shutil.disk_usage(home.path).free, sum(row.n for row in hours)),
            outbox=reader.outbox_since(since_ms),
            told=told,
        )


def _by_series(hours: Sequence[Summary]) -> Mapping[int, int]:
    found: dict[int, int] = {}
    for row in hours:
        found[row.series] = found.get(row.series, 0) + row.n
    return found


def _watched_ms(hours: Sequence[Summary]) -> int:
    return len({row.start for row in hours}) * 3_600_000


def _heard(probe: Probe, counted: Mapping[int, int], probes: Mapping[int, str], span_ms: int) -> ProbeWeek:
    """By the channel that came most often: one broken channel is not the probe's silence."""
    most = max((n for series, n in counted.items() if probes.get(series) == probe.id), default=0)
    due = span_ms // probe.every_ms
    return ProbeWeek(probe.id, min(most, due), due)


def _batteries(lab: Lab, reader: Reader, probes: Mapping[int, str], now_ms: int) -> list[Battery]:
    current = {probe.id for probe in lab.probes}
    newest = reader.newest(tuple(probes))
    day = utc(now_ms).astimezone(ZoneInfo(lab.time_zone)).date() - timedelta(days=7)
    ago = {row.series: row.mean for row in reader.daily(day.isoformat(), day.isoformat())}
    found = []
    for number, probe in probes.items():
        held = newest.get(number)
        if probe in current and held is not None and held.value is not None:
            found.append(Battery(probe, held.value, ago.get(number)))
    return found


def _size(home: Home) -> int:
    """The database with its write-ahead log."""
    files = (home.database, home.database.with_name(home.database.name + "-wal"))
    return sum(path.stat().st_size for path in files if path.exists())
