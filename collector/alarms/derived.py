"""Kinds that compare something worked out from the readings: a share, a rate, a difference, a forecast.

Each turns readings into derived rows at the times of the readings and hands them to the threshold logic, so setpoint,
deadband and delays mean the same for all kinds. A derived row is NaN where it cannot be told, and doubtful where the
reading it stands for is. How readings are cut into chunks changes nothing: a row follows from its reading and from what
came before it.

What is remembered between chunks is bounded by `memory_ms`; after a restart `remember` rebuilds it from stored rows.
"""

from abc import abstractmethod

import numpy as np

from collector.alarms.alarm import Ledger
from collector.alarms.chunk import Flags, Mask, Readings, Times, Values, chunk
from collector.alarms.model import AlarmState, Rule
from collector.alarms.recent import Recent
from collector.alarms.threshold import Threshold

SURE, DOUBTFUL = np.uint8(1), np.uint8(3)
HOUR_MS = 3_600_000
COVERED = 0.8
"""A rate needs readings over so much of its window, a forecast medians for so much of it (common practice)."""
FEWEST_READINGS = 4
"""A share of fewer readings says nothing (common practice)."""


def usable(readings: Readings) -> Mask:
    """Readings whose value may raise an alarm."""
    told: Mask = (readings.flags - np.uint8(1) < 3) & np.isfinite(readings.value)
    return told


def clean(readings: Readings) -> Mask:
    """Readings whose value may also calm one."""
    sure: Mask = (readings.flags - np.uint8(1) < 2) & np.isfinite(readings.value)
    return sure


def doubt(flags: Flags) -> Flags:
    """The flags of derived rows."""
    return np.where(flags == DOUBTFUL, DOUBTFUL, SURE).astype(np.uint8)


def delays_ms(rule: Rule) -> int:
    return max(rule.on_delay_ms, rule.off_delay_ms)


class Derived(Threshold):
    """`told`: the last derived value that could be told."""

    __slots__ = ("told",)

    def __init__(self, rule: Rule, saved: AlarmState, ledger: Ledger) -> None:
        super().__init__(rule, saved, ledger)
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
        rows = chunk(*self.derive(readings))
        if not self.untouched_by(rows):
            self.judge(rows, self.told)
        if rows.last_value is not None:
            self.told = rows.last_value

    def end(self, at_ms: int, value: float | None) -> bool:
        return super().end(at_ms, self.told)


class Rate(Derived):
    """The change per hour from the oldest clean reading of the window to this one. Not told where the readings cover
    less than COVERED of the window or leave a gap in it."""

    __slots__ = ("_gap_ms", "_recent")

    def __init__(self, rule: Rule, saved: AlarmState, ledger: Ledger, gap_ms: int) -> None:
        super().__init__(rule, saved, ledger)
        self._gap_ms = gap_ms
        self._recent = Recent()

    def derive(self, readings: Readings) -> tuple[Times, Values, Flags]:
        t_ms, window_ms = readings.t_ms, self.rule.window_ms
        sure = clean(readings)
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
            rate[whole] = (readings.value[whole] - known[first[whole]]) / span[whole] * HOUR_MS
        self._recent.forget(int(t_ms[-1]) - window_ms)
        return t_ms, rate, doubt(readings.flags)


class Suspect(Derived):
    """The share, in %, of readings flagged suspect, failed or missing among those of the window."""

    __slots__ = ("_recent",)

    def __init__(self, rule: Rule, saved: AlarmState, ledger: Ledger) -> None:
        super().__init__(rule, saved, ledger)
        self._recent = Recent()

    def derive(self, readings: Readings) -> tuple[Times, Values, Flags]:
        t_ms = readings.t_ms
        bad = (readings.flags >= DOUBTFUL).astype(np.float64)
        self._recent.add(t_ms, bad)
        known_ms = self._recent.t_ms
        first = known_ms.searchsorted(t_ms - self.rule.window_ms, "right")
        last = known_ms.searchsorted(t_ms, "right")
        so_far = np.concatenate(([0.0], np.cumsum(self._recent.value)))
        count = last - first
        share = np.where(count >= FEWEST_READINGS, 100.0 * (so_far[last] - so_far[first]) / count, np.nan)
        self._recent.forget(int(t_ms[-1]) - self.rule.window_ms)
        return t_ms, share, np.full(t_ms.size, SURE)
