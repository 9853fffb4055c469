"""What each tray will come to until somebody is back, from the journal's hourly figures."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from collector.alarms.kinds.kind import About
from collector.alarms.kinds.table import direction, kind_of
from collector.alarms.model import Priority, Rule
from collector.alarms.places import holds_at
from collector.alarms.trend import FEWEST, theil_sen
from collector.domain.diary import DiaryEntry, DiaryKind
from collector.domain.lab import Lab, Place, PlaceKind
from collector.husbandry.ahead import (
    DAY_MS,
    Course,
    Dryness,
    TrayAhead,
    carried,
    falls_below,
    level_to_leave_at,
)
from collector.husbandry.watering import TrayNow
from collector.letters.local_time import utc
from collector.letters.tray_facts import Stands, tray_now
from collector.reports.newest import newest_of
from collector.store.reader import Reader, Summary

WINDOW_MS = 3 * DAY_MS
REACH = 3
"""So many windows ahead a line may be drawn, as forecasts do (common practice, no source)."""
FLOOR_PCT, CEILING_PCT = 70.0, 85.0
"""The comfortable band of bedding moisture, % wet basis: what Edwards (2004, table 18.3), Kaplan et al. (1980) and
Edwards (1988) share; configuration of the rules says when an alarm speaks, this says where to leave a tray."""
EARLY_DAYS = 5
"""So many school days before a holiday its water is told, so that it can be given in daily portions."""
_SETTLES_MS = 6 * 3_600_000
"""Water takes so long to spread through a tray; until then figures tell of the pouring (common practice, no source)."""
_STIRS = (DiaryKind.WATERED, DiaryKind.FED, DiaryKind.TRAY_ADDED, DiaryKind.HARVESTED, DiaryKind.DRAINED)


def back_at_ms(lab: Lab, now_ms: int) -> int | None:
    """When somebody is back: the morning of the first school day after the next break; None where none is in sight."""
    day = utc(now_ms).astimezone(ZoneInfo(lab.time_zone)).date()
    days = (day + timedelta(n) for n in range(400))
    last = next(filter(lab.school_days.break_after, days), None)
    return None if last is None else back_after_ms(lab, last)


def early_back_ms(lab: Lab, day: date) -> int | None:
    """When somebody is back after the next holiday, on the one school day on which that is told ahead: EARLY_DAYS
    school days before, or where another break comes later than that, the first after it. Else None."""
    span = lab.school_days.next_break(day)
    if span is None or not lab.school_days.is_school_day(day):
        return None
    left = sum(lab.school_days.is_school_day(day + timedelta(n)) for n in range((span[0] - day).days))
    before = (day - timedelta(n) for n in range(1, 400))
    last = next(filter(lab.school_days.is_school_day, before), None)
    first = last is None or lab.school_days.next_break(last) != span
    return back_after_ms(lab, span[1]) if left == EARLY_DAYS or (1 < left < EARLY_DAYS and first) else None


def back_after_ms(lab: Lab, last: date) -> int | None:
    """The morning of the first school day after `last`; None where none comes."""
    back = lab.school_days.next_after(last)
    if back is None:
        return None
    zone, minute = ZoneInfo(lab.time_zone), lab.telling.digest_minute
    return round(datetime(back.year, back.month, back.day, minute // 60, minute % 60, tzinfo=zone).timestamp()) * 1000


def school_days_left(lab: Lab, now_ms: int, until_ms: int) -> int:
    """School days on which something can be done before then, today among them; 1 at least."""
    zone = ZoneInfo(lab.time_zone)
    day, end = (utc(ms).astimezone(zone).date() for ms in (now_ms, until_ms))
    days = (day + timedelta(n) for n in range(min((end - day).days, 400)))
    return max(1, sum(map(lab.school_days.is_school_day, days)))


def _falls_dry(rule: Rule) -> bool:
    return rule.measure == "bedding_moisture" and kind_of(rule).about is About.LEVEL and direction(rule) < 0


def trays_ahead(
    lab: Lab,
    rules: Iterable[Rule],
    reader: Reader,
    diary: Sequence[DiaryEntry],
    now_ms: int,
    until_ms: int,
    stands: Stands = (),
) -> list[TrayAhead]:
    """One for each tray with a moisture probe, in the lab's order; of two probes in one tray the drier one speaks."""
    dry_rules = [rule for rule in rules if _falls_dry(rule)]
    series = [one for one in reader.series() if one.measure == "bedding_moisture"]
    hours = _by_series(reader.hourly(now_ms - WINDOW_MS, now_ms))
    newest = newest_of(lab, {one.id: one.as_series() for one in reader.series()}, reader)
    days = school_days_left(lab, now_ms, until_ms)
    found = []
    for place in (place for place in lab.places if place.kind is PlaceKind.TRAY):
        current = {(probe.id, probe.place) for probe in lab.probes}
        here = [one.id for one in series if one.place == place.id and (one.probe, one.place) in current]
        since_ms = _since_ms(diary, place, now_ms)
        limit = _limit(dry_rules, place)
        each = [_one(place, hours.get(number, ()), since_ms, limit, now_ms, until_ms) for number in here]
        if each:
            worst = min(each, key=lambda one: (math.isnan(one.level), one.level))
            known = tray_now(lab, place.id, newest, diary, stands, now_ms)
            found.append(_carried(worst, known, days) if known is not None else worst)
    return found


def _carried(one: TrayAhead, now: TrayNow, days: int) -> TrayAhead:
    """With what is to be done, by what is known of the tray now."""
    if one.leave_at is None:
        return one
    known = now if now.moisture_pct is not None else replace(now, moisture_pct=one.level)
    deed, fits = carried(known, one.leave_at, days)
    return replace(one, deed=deed, now=known, days=days, enough=one.enough and fits)


def _by_series(rows: Iterable[Summary]) -> Mapping[int, list[Summary]]:
    found: dict[int, list[Summary]] = {}
    for row in rows:
        if row.mean is not None and row.n_good:
            found.setdefault(row.series, []).append(row)
    return found


def _since_ms(diary: Sequence[DiaryEntry], place: Place, now_ms: int) -> int:
    """From when on the tray has been left to itself."""
    stirred = [
        entry.t_ms + _SETTLES_MS
        for entry in diary
        if entry.kind in _STIRS and entry.struck_ms is None and entry.place in (place.id, place.bin)
    ]
    return max([now_ms - WINDOW_MS, *stirred])


def _limit(rules: Sequence[Rule], place: Place) -> float:
    """Where the most urgent alarm says it is too dry; the lower end of the comfortable band where none does."""
    here = [rule for rule in rules if holds_at(rule, "bedding_moisture", place.id)]
    order = list(Priority)
    worst = max(here, key=lambda rule: (order.index(rule.priority), -rule.setpoint), default=None)
    return worst.setpoint if worst is not None else FLOOR_PCT


def _one(place: Place, hours: Sequence[Summary], since_ms: int, limit: float, now_ms: int, until_ms: int) -> TrayAhead:
    level = float(hours[-1].mean or 0.0) if hours else float("nan")
    left = [row for row in hours if int(row.start) >= since_ms]
    if not hours:
        return TrayAhead(place=place.id, level=level, why_not="no usable reading in the last three days")
    if len(left) < FEWEST:
        return TrayAhead(place=place.id, level=level, why_not="too little is known since it was last watered or fed")
    end_ms = min(until_ms, now_ms + REACH * WINDOW_MS)
    course = _course(left, now_ms)
    dry = falls_below(course, limit, now_ms, end_ms)
    found = _advised(place, course, dry, (end_ms - now_ms) / DAY_MS)
    return found if end_ms == until_ms else replace(found, seen_until_ms=end_ms)


def _course(hours: Sequence[Summary], now_ms: int) -> Course:
    x = np.array([(int(row.start) + 1_800_000 - now_ms) / DAY_MS for row in hours])
    trend = theil_sen(x, np.array([row.mean for row in hours], np.float64))
    return Course(level=trend.at(0.0), per_day=trend.slope, low_per_day=trend.low, high_per_day=trend.high)


def _advised(place: Place, course: Course, dry: Dryness | None, days: float) -> TrayAhead:
    at_end = course.after(days)
    if at_end.low >= FLOOR_PCT and dry is None:
        return TrayAhead(place=place.id, level=course.level, at_end=at_end)
    leave_at = level_to_leave_at(course, FLOOR_PCT, CEILING_PCT, days)
    needed = leave_at > course.level
    loss = max(0.0, -course.low_per_day) * days
    limit = dry.limit if dry is not None else FLOOR_PCT
    return TrayAhead(
        place=place.id,
        level=course.level,
        at_end=at_end,
        dry=dry,
        leave_at=leave_at if needed else None,
        enough=leave_at - loss >= limit,
    )
