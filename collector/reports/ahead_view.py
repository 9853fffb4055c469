"""What each tray will come to until somebody is back, from the journal's hourly figures."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from collector.alarms.kinds.kind import About
from collector.alarms.kinds.table import direction, kind_of
from collector.alarms.model import Priority, Rule
from collector.alarms.places import holds_at
from collector.domain.diary import DiaryEntry, DiaryKind
from collector.domain.foresight.conformal import ByHorizon
from collector.domain.lab import Lab, Place, PlaceKind
from collector.husbandry.ahead import (
    HOUR_MS,
    Dryness,
    Expected,
    TrayAhead,
    at_end,
    carried,
    falls_below,
    level_to_leave_at,
)
from collector.husbandry.air import Numbers
from collector.husbandry.drying import FIT_H, HORIZONS_D, LEARNED_H, Dryer, Path, TrayHours, drive, spanned
from collector.husbandry.watering import GOAL_PCT, TrayNow
from collector.letters.local_time import utc
from collector.letters.tray_facts import Stands, tray_now
from collector.reports.newest import newest_of
from collector.store.reader import Reader

WINDOW_H = 72
LOOK_BACK_H = LEARNED_H + FIT_H
FARTHEST_MS = 9 * 24 * HOUR_MS
"""Further ahead nothing is said (common practice, no source)."""
FLOOR_PCT, CEILING_PCT = 70.0, 85.0
"""The comfortable band of bedding moisture, % wet basis: what Edwards (2004, table 18.3), Kaplan et al. (1980) and
Edwards (1988) share; configuration of the rules says when an alarm speaks, this says where to leave a tray."""
EARLY_DAYS = 5
"""So many school days before a holiday its water is told, so that it can be given in daily portions."""
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
    record = _Record(lab, reader, diary, now_ms)
    dry_rules = [rule for rule in rules if _falls_dry(rule)]
    trays = [place for place in lab.places if place.kind is PlaceKind.TRAY]
    told = [(place, record.of(place, series)) for place in trays for series in record.series(place, "bedding_moisture")]
    dryers = [(place, Dryer(hours, driven.kpa), driven.assumed) for place, hours in told for driven in [drive(hours)]]
    spans = ByHorizon(HORIZONS_D, (span for _, dryer, _ in dryers for span in dryer.came_out(LOOK_BACK_H)))
    found: dict[str, TrayAhead] = {}
    for (place, dryer, assumed), (_, hours) in zip(dryers, told, strict=True):
        limit = _limit(dry_rules, place)
        tray = _one(place, hours, dryer, spans, limit, now_ms, until_ms)
        tray = tray if tray.why_not else replace(tray, assumed=assumed)
        found[place.id] = min(found.get(place.id, tray), tray, key=lambda tray: (math.isnan(tray.level), tray.level))
    newest = newest_of(lab, {stored.id: stored.as_series() for stored in reader.series()}, reader)
    days = school_days_left(lab, now_ms, until_ms)
    known = ((tray, tray_now(lab, tray.place, newest, diary, stands, now_ms)) for tray in found.values())
    return [_carried(tray, now, days) if now is not None else tray for tray, now in known]


def _carried(tray: TrayAhead, now: TrayNow, days: int) -> TrayAhead:
    """With what is to be done, by what is known of the tray now."""
    if tray.leave_at is None:
        return tray
    known = now if now.moisture_pct is not None else replace(now, moisture_pct=tray.level)
    deed, fits = carried(known, tray.leave_at, days)
    leave_at = max(GOAL_PCT, tray.leave_at)
    return replace(tray, leave_at=leave_at, deed=deed, now=known, days=days, enough=tray.enough and fits)


class _Record:
    """The lab's hourly figures, each series on one grid that ends now."""

    def __init__(self, lab: Lab, reader: Reader, diary: Sequence[DiaryEntry], now_ms: int) -> None:
        self._lab = lab
        self._begin_ms = (now_ms // HOUR_MS + 1 - LOOK_BACK_H) * HOUR_MS
        current = {(probe.id, probe.place) for probe in lab.probes}
        self._series = [series for series in reader.series() if (series.probe, series.place) in current]
        self._values: dict[int, Numbers] = {}
        for row in reader.hourly(self._begin_ms, now_ms):
            if row.mean is not None and row.n_good:
                empty = np.full(LOOK_BACK_H, np.nan)
                self._values.setdefault(row.series, empty)[self._hour(int(row.start))] = row.mean
        self._stirred = [(entry.place, self._hour(entry.t_ms)) for entry in diary if _stirs(entry)]

    def _hour(self, t_ms: int) -> int:
        return (t_ms - self._begin_ms) // HOUR_MS

    def series(self, place: Place, measure: str) -> list[int]:
        """The series of the lab's present probes there."""
        return [series.id for series in self._series if series.place == place.id and series.measure == measure]

    def of(self, place: Place, moisture: int) -> TrayHours:
        stirred = np.zeros(LOOK_BACK_H, np.bool_)
        hours = [hour for where, hour in self._stirred if where in (place.id, place.bin)]
        stirred[[hour for hour in hours if 0 <= hour < LOOK_BACK_H]] = True
        return TrayHours(
            moisture_pct=self._values.get(moisture, _unknown()),
            bed_c=self._mean(self.series(place, "bedding_temperature")),
            room_c=self._mean(self._of_room("air_temperature")),
            humidity_pct=self._mean(self._of_room("air_humidity")),
            stirred=stirred,
        )

    def _of_room(self, measure: str) -> list[int]:
        rooms = [place for place in self._lab.places if place.kind is PlaceKind.ROOM]
        return [series for room in rooms for series in self.series(room, measure)]

    def _mean(self, series: Sequence[int]) -> Numbers:
        """Over the probes known in each hour; NaN where none is."""
        each = np.array([self._values.get(number, _unknown()) for number in series] or [_unknown()])
        known = np.count_nonzero(~np.isnan(each), axis=0)
        return np.where(known > 0, np.nansum(each, axis=0) / np.maximum(known, 1), np.nan)


def _unknown() -> Numbers:
    return np.full(LOOK_BACK_H, np.nan)


def _stirs(entry: DiaryEntry) -> bool:
    return entry.kind in _STIRS and entry.struck_ms is None


def _limit(rules: Sequence[Rule], place: Place) -> float:
    """Where the first alarm of harm says it is too dry; the lower end of the comfortable band where none does."""
    here = [rule for rule in rules if holds_at(rule, "bedding_moisture", place.id)]
    harm = [rule.setpoint for rule in here if rule.priority is not Priority.LOW]
    return max(harm or [rule.setpoint for rule in here], default=FLOOR_PCT)


def _one(
    place: Place, hours: TrayHours, dryer: Dryer, spans: ByHorizon, limit: float, now_ms: int, until_ms: int
) -> TrayAhead:
    latest = hours.moisture_pct[-WINDOW_H:]
    latest = latest[~np.isnan(latest)]
    if not latest.size:
        return TrayAhead(place=place.id, level=math.nan, why_not="no usable reading in the last three days")
    level = float(latest[-1])
    end_ms = min(until_ms, now_ms + FARTHEST_MS)
    ahead_h = max(1, -(-(end_ms - now_ms) // HOUR_MS))
    about = dryer.about(LOOK_BACK_H - _silent_h(hours), ahead_h + _silent_h(hours))
    if about is None:
        return TrayAhead(place=place.id, level=level, why_not="too little is known since it was last watered or fed")
    path = spanned(about, spans)
    if not np.all(np.isfinite(path.low - path.high)):
        return TrayAhead(place=place.id, level=level, why_not="what was foretold of the trays lately was too far off")
    path = Path(*(bound[_silent_h(hours) :] for bound in path))
    dry = falls_below(path, limit, now_ms, end_ms)
    found = _advised(place, level, at_end(path, ahead_h), dry)
    return found if end_ms == until_ms else replace(found, seen_until_ms=end_ms)


def _silent_h(hours: TrayHours) -> int:
    """Hours since the last one that is known; the one now may not have begun to be."""
    return hours.moisture_pct.size - 1 - int(np.flatnonzero(~np.isnan(hours.moisture_pct))[-1])


def _advised(place: Place, level: float, end: Expected, dry: Dryness | None) -> TrayAhead:
    if end.low >= FLOOR_PCT and dry is None:
        return TrayAhead(place=place.id, level=level, at_end=end)
    leave_at = level_to_leave_at(level, end, FLOOR_PCT, CEILING_PCT)
    needed = leave_at > level
    limit = dry.limit if dry is not None else FLOOR_PCT
    return TrayAhead(
        place=place.id,
        level=level,
        at_end=end,
        dry=dry,
        leave_at=leave_at if needed else None,
        enough=leave_at - (level - end.low) >= limit,
    )
