"""Kind `rate`: a reading that changes faster than the setpoint says, in its direction."""

from collections.abc import Iterator

import numpy as np

from collector.alarms.chunk import Flags, Readings, Times, Values
from collector.alarms.kinds import doubts
from collector.alarms.kinds.alarm import Seat
from collector.alarms.kinds.derived import COVERED, HOUR_MS, Derived, clean, doubt, usable
from collector.alarms.kinds.ground import Ground
from collector.alarms.kinds.kind import DELAYS, About, Doubt, RuleKind, Subject, Words
from collector.alarms.kinds.setpoint import RATE as CHANGE
from collector.alarms.model import Kind, Rule
from collector.alarms.recent import Recent
from collector.domain.lab import Lab

FEWEST_READINGS = 2


def _direction(rule: Rule) -> float:
    return -1.0 if rule.setpoint < 0 else 1.0


class Rate(Derived):
    """The change per hour from the oldest clean reading of the window to this one. Not told where the readings cover
    less than COVERED of the window or leave a gap in it, nor where the probe was out of its bedding in between: it may
    have been put back elsewhere."""

    __slots__ = ("_gap_ms", "_lifted_ms", "_recent")

    def __init__(self, seat: Seat, gap_ms: int) -> None:
        super().__init__(seat, _direction(seat.rule))
        self._gap_ms = gap_ms
        self._recent = Recent()
        self._lifted_ms: Times = np.empty(0, np.int64)

    def derive(self, readings: Readings) -> tuple[Times, Values, Flags]:
        t_ms, window_ms = readings.t_ms, self.rule.window_ms
        sure = clean(readings)
        self._note_lifted(readings)
        self._recent.add(t_ms[sure], readings.value[sure])
        known_ms, known = self._recent.t_ms, self._recent.value
        rate = np.full(t_ms.size, np.nan)
        if known_ms.size:
            first = np.minimum(known_ms.searchsorted(t_ms - window_ms), known_ms.size - 1)
            last = np.maximum(known_ms.searchsorted(t_ms, "right") - 1, 0)
            gaps = np.concatenate(([0], np.cumsum(np.diff(known_ms) > self._gap_ms)))
            span = t_ms - known_ms[first]
            whole = usable(readings) & (span >= COVERED * window_ms) & (span > 0)
            whole &= (gaps[first] == gaps[last]) & (t_ms - known_ms[last] <= self._gap_ms)
            if self._lifted_ms.size:
                whole &= self._lifted_ms.searchsorted(known_ms[first]) == self._lifted_ms.searchsorted(t_ms)
            rate[whole] = (readings.value[whole] - known[first[whole]]) / span[whole] * HOUR_MS
        self._recent.forget(int(t_ms[-1]) - window_ms)
        return t_ms, rate, doubt(readings.flags)

    def _note_lifted(self, readings: Readings) -> None:
        """When the probe was out of its bedding, in the window of these readings."""
        if readings.out is not None:
            self._lifted_ms = np.concatenate((self._lifted_ms, readings.t_ms[readings.out]))
        if self._lifted_ms.size:
            kept = self._lifted_ms.searchsorted(readings.t_ms[0] - self.rule.window_ms)
            self._lifted_ms = self._lifted_ms[kept:]


def _place(rule: Rule, ground: Ground) -> None:
    for series in ground.fitting(rule):
        ground.add(Rate(ground.seat(rule, series.id), ground.pace(series)[1]))


def _doubts(rule: Rule, lab: Lab) -> Iterator[Doubt]:
    yield from doubts.other_way(rule)
    yield from doubts.window(rule, lab, FEWEST_READINGS)


def _too_fast(said: Subject) -> str:
    return f"{'rising' if _direction(said.rule) > 0 else 'falling'} too fast"


RATE = RuleKind(
    kind=Kind.RATE,
    means="changing too fast",
    about=About.COURSE,
    words=Words(
        wrong=lambda said: f"{said.measure} {_too_fast(said)}",
        right_again=lambda said: f"{said.measure} no longer {_too_fast(said)}",
        figure="Change",
    ),
    needs=("measure", "window"),
    takes=("deadband", *DELAYS),
    setpoint=CHANGE,
    quantity_only=True,
    direction=_direction,
    place=_place,
    doubts=_doubts,
)
