"""A lab in numbers for the stories of the shipped sets: a room, beds that follow it, a brew, and what people are told.

Hours count from Monday 2 March 2026, 00:00 UTC; the lab is the one that `traywarden init` writes, with a probe in one
tray, the room's, and the two of the brewer.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from collector.alarms.chunk import Readings
from collector.alarms.contexts import Contexts
from collector.alarms.engine import Engine
from collector.alarms.model import Event, Link, Transition
from collector.alarms.start import Kept, Running, Site
from collector.brew.oxygen import pressure_kpa, saturations_mg_l
from collector.config.lab_file import read_lab
from collector.config.lab_template import LAB_TEMPLATE
from collector.domain.diary import Brew, DiaryEntry
from collector.domain.lab import Series, series_keys, subjects
from collector.domain.own_series import with_own_series
from tests.alarms.shipped_sets import RULES, H

START_MS = 1_772_409_600_000
_PROBES = ("juniper-top", "room-air", "kettle-oxygen", "kettle-pump")
_WHOLE = read_lab(LAB_TEMPLATE)
LAB = with_own_series(replace(_WHOLE, probes=tuple(probe for probe in _WHOLE.probes if probe.id in _PROBES)))

Hours = npt.NDArray[np.float64]
Course = Callable[[Hours], Hours]
"""What a series does, as a function of the hours."""

FOLLOWS_H = 7.0
"""Time constant of a bin: 30 kg of wet bedding hold 105 kJ/K, and its walls give off some 4 W/K in still air (common
practice, no source)."""


def at(hours: float) -> int:
    return START_MS + round(hours * H)


class Story:
    """What the shipped rules tell of courses of measures, from hour 0 to `until`. Measures without a course are not
    there. A day is judged at a time, and ticks come between, as in the collector after a night without network."""

    def __init__(
        self,
        until: float,
        courses: Mapping[str, Course],
        *,
        entries: Sequence[DiaryEntry] = (),
        brews: Sequence[Brew] = (),
        flags: Mapping[str, Course] | None = None,
    ) -> None:
        keys = [key for key in series_keys(LAB) if key.measure in courses]
        whole = [key for key in subjects(LAB) if not key.probe or key.probe in {one.probe for one in keys}]
        self.series = [
            Series(id=n, probe=k.probe, channel=k.channel, measure=k.measure, place=k.place, unit="")
            for n, k in enumerate([*keys, *whole], 1)
        ]
        contexts = Contexts(LAB, entries, brews)
        created = {one.id: START_MS for one in self.series}
        self._engine = Engine(
            tuple(RULES.values()),
            Site(LAB, self.series, created),
            Kept(),
            Running(Link(True, START_MS), contexts, START_MS),
        )
        self.told: list[Transition] = self._engine.opening(START_MS)
        self._courses, self._flags = courses, flags or {}
        for start in np.arange(0.0, until, 24.0):
            end = min(start + 24.0, until)
            self.told += self._engine.judge_all(self._day(start, end)).transitions
            self.told += self._engine.tick(at(end))

    def _day(self, start: float, end: float) -> dict[int, Readings]:
        found = {}
        for one in self.series:
            if one.measure:
                every = next(probe.every_ms for probe in LAB.probes if probe.id == one.probe)
                t_ms = np.arange(at(start) + every, at(end) + 1, every, dtype=np.int64)
                hours = (t_ms - START_MS) / H
                value = self._courses[one.measure](hours)
                flags = self._flags.get(one.measure, np.ones_like)(hours).astype(np.uint8)
                there = np.isfinite(value)
                if there.any():
                    found[one.id] = Readings(t_ms[there], value[there], flags[there])
        return found

    def alarms(self) -> list[str]:
        """Which alarms people were told of, in this order."""
        return [one.key.rule for one in self._in_order() if one.annunciates]

    def hour(self, rule: str) -> float:
        """When people were first told of it, in hours."""
        return next(_hour(one) for one in self._in_order() if one.key.rule == rule and one.annunciates)

    def over(self, rule: str) -> float:
        """When it first cleared."""
        return next(_hour(one) for one in self._in_order() if one.key.rule == rule and one.event is Event.CLEARED)

    def _in_order(self) -> list[Transition]:
        return sorted(self.told, key=lambda one: one.t_ms)


def _hour(one: Transition) -> float:
    return (one.t_ms - START_MS) / H


# ---- courses -----------------------------------------------------------------------------------------------------


def steady(value: float) -> Course:
    return lambda hours: np.full(hours.shape, value)


def through(*points: tuple[float, float]) -> Course:
    """Straight lines through (hour, value), level before the first and after the last."""
    known = np.array(points)
    return lambda hours: np.interp(hours, known[:, 0], known[:, 1])


def swing(mean: float, either_side: float, warmest: float = 15.0) -> Course:
    """Up and down each day."""
    return lambda hours: mean + either_side * np.cos((hours - warmest) * (2 * np.pi / 24))


def plus(*courses: Course) -> Course:
    return lambda hours: np.sum([course(hours) for course in courses], axis=0)


def noise(seed: int, spread: float) -> Course:
    """Independent scatter, the same for the same hours."""
    return lambda hours: np.random.default_rng([seed, round(hours[0] * 60)]).normal(0.0, spread, hours.size)


def following(room: Course, start: float, until: float, follows_h: float = FOLLOWS_H) -> Course:
    """A bed that is at `start` and follows its room with a delay."""
    hours = np.arange(0.0, until + 1.0, 1 / 60)
    share = 1 - np.exp(-1 / 60 / follows_h)
    bed, now = np.empty(hours.size), start
    for place, air in enumerate(room(hours).tolist()):
        now += share * (air - now)
        bed[place] = now
    return lambda asked: np.interp(asked, hours, bed)


def share_of(oxygen: Course, temperature: Course) -> Course:
    """Oxygen as a share of what the water can hold at the lab's altitude."""
    kpa = pressure_kpa(LAB.altitude_m)
    return lambda hours: 100 * oxygen(hours) / saturations_mg_l(temperature(hours), kpa)


QUIET: Mapping[str, Course] = {
    "bedding_temperature": steady(20.0),
    "bedding_moisture": steady(78.0),
    "air_temperature": steady(20.0),
    "air_humidity": steady(45.0),
}
_SWEET = plus(steady(8.4), noise(7, 0.05))
BREWING: Mapping[str, Course] = {
    "tea_temperature": steady(20.0),
    "dissolved_oxygen": _SWEET,
    "oxygen_saturation": share_of(_SWEET, steady(20.0)),
    "air_pump": steady(1.0),
}
