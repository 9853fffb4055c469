"""Kinds that compare something worked out from the readings: a share, a rate, a difference, a forecast.

Each turns readings into derived rows at the times of the readings and hands them to the threshold logic, so setpoint,
deadband and delays mean the same for all kinds. A derived row is NaN where it cannot be told, and doubtful where the
reading it stands for is. How readings are cut into chunks changes nothing: a row follows from its reading and from what
came before it.

What is remembered between chunks is bounded by `memory_ms`; after a restart `remember` rebuilds it from stored rows.
"""

from abc import abstractmethod
from typing import ClassVar

import numpy as np

from collector.alarms.chunk import Flags, Mask, Readings, Times, Values, chunk
from collector.alarms.kinds.alarm import Seat
from collector.alarms.kinds.threshold import Threshold
from collector.alarms.model import Rule

SURE, DOUBTFUL = np.uint8(1), np.uint8(3)
HOUR_MS = 3_600_000
COVERED = 0.8
"""A rate needs readings over so much of its window, a forecast medians for so much of it (common practice)."""


def usable(readings: Readings) -> Mask:
    """Readings whose value may raise an alarm."""
    told: Mask = (readings.flags - np.uint8(1) < 3) & np.isfinite(readings.value)
    return told


def clean(readings: Readings) -> Mask:
    """Readings whose value may also calm one."""
    sure: Mask = (readings.flags - np.uint8(1) < 2) & np.isfinite(readings.value)
    return sure


def doubt(flags: Flags) -> Flags:
    """The flags of derived rows, one for each flag of the readings they stand for."""
    return np.where(flags == DOUBTFUL, DOUBTFUL, SURE).astype(np.uint8)


def delays_ms(rule: Rule) -> int:
    """The longer of its delays: what raised or cleared it began no earlier than so long ago."""
    return max(rule.on_delay_ms, rule.off_delay_ms)


class Derived(Threshold):
    """`told`: the last derived value that could be told."""

    __slots__ = ("told",)
    of_each: ClassVar[bool] = True
    """Whether there is one row for each reading, so that a probe out of its bedding is a matter of rows too."""

    def __init__(self, seat: Seat, sign: float = 1.0) -> None:
        super().__init__(seat, sign)
        self.told: float | None = None

    @abstractmethod
    def derive(self, readings: Readings) -> tuple[Times, Values, Flags]:
        """The derived rows of readings that are newer than all before; remembers what later ones need. The last row
        stands at the time of the last reading."""

    def remember(self, readings: Readings) -> None:
        """Take in stored rows that were judged before a restart."""
        _, value, _ = self.derive(readings)
        known = value[np.isfinite(value)]
        if known.size:
            self.told = float(known[-1])

    def take(self, readings: Readings) -> None:
        """Judge readings."""
        rows = chunk(*self.derive(readings), readings.out if self.of_each else None)
        if not self.untouched_by(rows):
            self.judge(rows, self.told)
        if rows.last_value is not None:
            self.told = rows.last_value

    def end(self, at_ms: int, value: float | None) -> bool:
        return super().end(at_ms, self.told)
