"""Kind `suspect`: too great a share of the readings cannot be trusted, or comes from out of the bedding.

A probe out of its bedding is sound, so a rule counts either these readings or the doubtful ones, never both.
"""

from collections.abc import Iterator

import numpy as np

from collector.alarms.chunk import Flags, Mask, Readings, Times, Values
from collector.alarms.kinds import doubts
from collector.alarms.kinds.alarm import Seat
from collector.alarms.kinds.derived import DOUBTFUL, SURE, Derived
from collector.alarms.kinds.ground import Ground
from collector.alarms.kinds.kind import DELAYS, About, Doubt, RuleKind, Subject, Words
from collector.alarms.kinds.setpoint import SHARE
from collector.alarms.model import OUT_OF_BEDDING, Kind, Rule
from collector.alarms.recent import Recent
from collector.domain.lab import Lab
from collector.domain.units import Measure, show_duration

FEWEST_READINGS = 4
"""A share of fewer readings says nothing (common practice)."""


class Suspect(Derived):
    """The share, in %, of readings among those of the window that are out of the bedding, or that are flagged suspect,
    failed or missing for another reason."""

    __slots__ = ("_recent",)

    def __init__(self, seat: Seat) -> None:
        super().__init__(seat)
        self._recent = Recent()

    def derive(self, readings: Readings) -> tuple[Times, Values, Flags]:
        t_ms = readings.t_ms
        self._recent.add(t_ms, self._counted(readings).astype(np.float64))
        known_ms = self._recent.t_ms
        first = known_ms.searchsorted(t_ms - self.rule.window_ms, "right")
        last = known_ms.searchsorted(t_ms, "right")
        so_far = np.concatenate(([0.0], np.cumsum(self._recent.value)))
        count = last - first
        share = np.where(count >= FEWEST_READINGS, 100.0 * (so_far[last] - so_far[first]) / count, np.nan)
        self._recent.forget(int(t_ms[-1]) - self.rule.window_ms)
        return t_ms, share, np.full(t_ms.size, SURE)

    def _counted(self, readings: Readings) -> Mask:
        out = np.zeros(readings.t_ms.size, np.bool_) if readings.out is None else readings.out
        return out if self.rule.counts else (readings.flags >= DOUBTFUL) & ~out


def _counts(given: object, measure: Measure | None) -> str:
    if given != OUT_OF_BEDDING:
        raise ValueError(f"{given!r} is not '{OUT_OF_BEDDING}'; leave the key out to count doubtful readings")
    if measure is None or measure.name != "bedding_moisture":
        raise ValueError("only bedding_moisture tells whether a probe is out of the bedding; write it as the measure")
    return OUT_OF_BEDDING


def _wrong(said: Subject) -> str:
    if said.rule.counts:
        return f"probe {said.line(said.series.probe)} seems to be out of its bedding"
    return f"many {said.measure} readings cannot be trusted"


def _right_again(said: Subject) -> str:
    if said.rule.counts:
        return f"probe {said.line(said.series.probe)} is in its bedding again"
    return f"{said.measure} readings can be trusted again"


def _place(rule: Rule, ground: Ground) -> None:
    for series in ground.fitting(rule):
        ground.add(Suspect(ground.seat(rule, series.id)))


def _doubts(rule: Rule, lab: Lab) -> Iterator[Doubt]:
    if rule.setpoint >= 100:
        message = "can never alarm: no more than 100 % of the readings can be doubtful"
        yield Doubt(rule=rule, field="setpoint", message=message, because=("kind",))
    yield from doubts.less_than_none(rule)
    yield from doubts.window(rule, lab, FEWEST_READINGS)


SUSPECT = RuleKind(
    kind=Kind.SUSPECT,
    means="too many doubtful readings",
    about=About.PROBE,
    words=Words(
        wrong=_wrong,
        right_again=_right_again,
        figure="Doubtful",
        of=lambda rule: f" of the readings of the last {show_duration(rule.window_ms)}",
    ),
    needs=("window",),
    takes=("measure", "counts", "deadband", *DELAYS),
    counts=_counts,
    setpoint=SHARE,
    place=_place,
    doubts=_doubts,
)
