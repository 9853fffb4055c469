"""Kind `forecast`: a measure is on its way to the setpoint and will cross it within the horizon.

The trend (`collector.alarms.trend`) goes through medians of half hours, or of longer stretches where the window
would hold more than MOST of them; stretches are cut at fixed times, so that a restart finds the same ones. It is worked
out once for each stretch, at the first clean reading after it. What is compared with the setpoint is where the central
line will be at the end of the horizon:

    going there, within reach    level + slope * horizon      the 90 % interval excludes that it stays or turns
    not going there              level                        so that the alarm clears
    not yet beyond `beyond`      the last median              the same: the way there says nothing yet
    beyond the setpoint already  cannot tell                  that is for `high` and `low`: nothing is raised or cleared

A horizon like 'monday 08:00' ends at the next such moment; as long as it is further off than three windows nothing is
foreseen, for a line drawn that far says nothing (common practice).
"""

from bisect import bisect_left
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from statistics import median
from zoneinfo import ZoneInfo

import numpy as np

from collector.alarms.chunk import Flags, Readings, Times, Values
from collector.alarms.kinds import doubts
from collector.alarms.kinds.alarm import Seat
from collector.alarms.kinds.derived import COVERED, HOUR_MS, SURE, Derived, clean, delays_ms
from collector.alarms.kinds.ground import Ground
from collector.alarms.kinds.kind import DELAYS, About, Doubt, RuleKind, Subject, Words
from collector.alarms.kinds.setpoint import VALUE
from collector.alarms.model import Kind, Outlook, Rule, Weekly
from collector.alarms.trend import FEWEST, Trend, steepest, theil_sen
from collector.domain.lab import Lab
from collector.domain.units import show_duration

MOST = 60
HALF_HOUR_MS = HOUR_MS // 2
REACH = 3
"""So many windows ahead a line may be drawn."""
_LONGEST_MS = 3_653 * 24 * HOUR_MS
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def stretch_ms(window_ms: int) -> int:
    """How long a stretch is whose median becomes one point."""
    return HALF_HOUR_MS * max(1, -(-window_ms // (MOST * HALF_HOUR_MS)))


def next_moment_ms(weekly: Weekly, zone: ZoneInfo, t_ms: int) -> int:
    """The next such moment after `t_ms` on the clock of the zone."""
    day = (_EPOCH + timedelta(milliseconds=t_ms)).astimezone(zone).date()
    day += timedelta(days=(weekly.weekday - day.weekday()) % 7)
    while True:
        local = datetime(day.year, day.month, day.day, tzinfo=zone) + timedelta(minutes=weekly.minute)
        moment_ms = (local - _EPOCH) // timedelta(milliseconds=1)
        if moment_ms > t_ms:
            return moment_ms
        day += timedelta(days=7)


def _direction(rule: Rule) -> float:
    return -1.0 if rule.toward == "low" else 1.0


class Forecast(Derived):
    __slots__ = ("_medians", "_now", "_open", "_places", "_points", "_seen", "_stretch", "_until_ms", "_zone")
    of_each = False

    def __init__(self, seat: Seat, zone: ZoneInfo) -> None:
        super().__init__(seat, _direction(seat.rule))
        self._zone = zone
        self._stretch = stretch_ms(self.rule.window_ms)
        self._points = max(1, self.rule.window_ms // self._stretch)
        self._places: list[int] = []
        self._medians: list[float] = []
        self._now: int | None = None
        """The stretch that is not over yet, and its values."""
        self._open: list[Values] = []
        self._seen: list[tuple[int, Outlook]] = []
        self._until_ms = 0

    def outlook(self, t_ms: int) -> Outlook | None:
        """The last one before that, unless it is out of date: older than what a restart is given to rebuild it from."""
        from_ms = t_ms - delays_ms(self.rule) - self._stretch
        return next((outlook for at_ms, outlook in reversed(self._seen) if from_ms <= at_ms <= t_ms), None)

    def derive(self, readings: Readings) -> tuple[Times, Values, Flags]:
        del self._seen[:-1]
        sure = clean(readings)
        t_ms, value = readings.t_ms[sure], readings.value[sure]
        place = t_ms // self._stretch
        starts = np.flatnonzero(np.diff(place, prepend=place[:1] - 1)).tolist()
        at: list[int] = []
        ahead: list[float] = []
        for start, end in pairwise([*starts, place.size]):
            if place[start] != self._now:
                self._close(int(place[start]))
                at.append(int(t_ms[start]))
                ahead.append(self._ahead(at[-1]))
            self._open.append(value[start:end])
        last_ms = int(readings.t_ms[-1])
        if not at or at[-1] != last_ms:
            at.append(last_ms)
            ahead.append(np.nan)
        return np.array(at, np.int64), np.array(ahead), np.full(len(at), SURE)

    def _close(self, place: int) -> None:
        """The stretch is over and `place` begins."""
        if self._now is not None:
            self._places.append(self._now)
            self._medians.append(median(np.concatenate(self._open).tolist()))
        self._now, self._open = place, []
        old = bisect_left(self._places, place - self._points)
        del self._places[:old], self._medians[:old]

    def _ahead(self, t_ms: int) -> float:
        """What is compared with the setpoint at the first reading of a stretch."""
        if len(self._places) < max(FEWEST, COVERED * self._points):
            return float("nan")
        x = (np.array(self._places) * self._stretch + (self._stretch // 2 - t_ms)) / HOUR_MS
        y = np.array(self._medians)
        hours = self._horizon_ms(t_ms) / HOUR_MS
        highest = self._highest(x, y, hours)
        if highest < self.clear_at:
            return self.sign * highest
        if self.rule.beyond is not None and self.sign * (self._medians[-1] - self.rule.beyond) <= 0:
            return self._medians[-1]
        return self._judge_trend(t_ms, theil_sen(x, y), hours)

    def _highest(self, x: Values, y: Values, hours: float) -> float:
        """No line through the points can be beyond this, now or then; told in place of it where it is calm enough."""
        middle, low, high = median(self._medians), *steepest(x, y)
        slope = high if self.sign > 0 else -low
        back = 0.5 * float(x[(x.size - 1) // 2] + x[x.size // 2])
        return self.sign * middle + max(0.0, slope * (hours - back), -slope * back)

    def _judge_trend(self, t_ms: int, trend: Trend, hours: float) -> float:
        level = trend.at(0.0)
        if self.sign * level > self.setpoint:
            return float("nan")
        going = trend.rises if self.sign > 0 else trend.falls
        if not going or hours == 0:
            return level
        steep, shallow = (trend.high, trend.low) if self.sign > 0 else (trend.low, trend.high)
        left = self.rule.setpoint - level
        about, early, late = (
            t_ms + round(min(left / slope * HOUR_MS, _LONGEST_MS)) for slope in (trend.slope, steep, shallow)
        )
        self._seen.append((t_ms, Outlook(about, early, late)))
        return level + trend.slope * hours

    def _horizon_ms(self, t_ms: int) -> int:
        """How far ahead is looked; 0 where that is too far to foresee."""
        if self.rule.by is None:
            return self.rule.horizon_ms
        if t_ms >= self._until_ms:
            self._until_ms = next_moment_ms(self.rule.by, self._zone, t_ms)
        ahead_ms = self._until_ms - t_ms
        return ahead_ms if ahead_ms <= REACH * self.rule.window_ms else 0


def _place(rule: Rule, ground: Ground) -> None:
    for series in ground.fitting(rule):
        ground.add(Forecast(ground.seat(rule, series.id), ground.zone))


def _doubts(rule: Rule, lab: Lab) -> Iterator[Doubt]:
    yield from doubts.reach(rule, _direction(rule))
    yield from doubts.deadband(rule)
    yield from _few_points(rule)
    if rule.beyond is not None and _direction(rule) * (rule.setpoint - rule.beyond) <= 0:
        message = "can never alarm: what is beyond this is beyond the setpoint already"
        yield Doubt(rule=rule, field="beyond", message=message, because=("setpoint", "toward"))


def _few_points(rule: Rule) -> Iterator[Doubt]:
    """Trends through too few points, or drawn too far."""
    stretch = stretch_ms(rule.window_ms)
    if rule.window_ms < FEWEST * stretch:
        needed = f"a trend needs {FEWEST} points, one each {show_duration(stretch)}"
        message = f"can never alarm: {needed}; give {show_duration(FEWEST * stretch)} or more"
        yield Doubt(rule=rule, field="window", message=message)
    if rule.horizon_ms > REACH * rule.window_ms:
        message = (
            f"{show_duration(rule.horizon_ms)} is far for a window of {show_duration(rule.window_ms)};"
            f" more than {REACH} times the window says little"
        )
        yield Doubt(rule=rule, field="horizon", message=message, because=("window",))


def _heading(said: Subject) -> str:
    return f"heading {'below' if _direction(said.rule) < 0 else 'above'} {said.limit}"


FORECAST = RuleKind(
    kind=Kind.FORECAST,
    means="on its way there",
    about=About.COURSE,
    words=Words(
        wrong=lambda said: f"{said.measure} {_heading(said)}",
        right_again=lambda said: f"{said.measure} no longer {_heading(said)}",
    ),
    needs=("measure", "window", "horizon", "toward"),
    takes=("beyond", "deadband", *DELAYS),
    setpoint=VALUE,
    quantity_only=True,
    foresees=True,
    direction=_direction,
    place=_place,
    memory_ms=lambda rule, slowest_ms: rule.window_ms + 2 * stretch_ms(rule.window_ms) + delays_ms(rule),
    doubts=_doubts,
)
