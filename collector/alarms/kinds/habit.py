"""How long a series is usually silent, learned from its own gaps: a radio that is weak each night calls nobody, and a
probe that never missed is noticed soon.

    reach from a moment = three times the second largest of its gaps that ended in the 14 days before the hour of that
                          moment, but no less than `least_ms` and no more than `most_ms`

The second largest, so that one outage teaches nothing; three times, because gaps of a radio have long tails (both
common practice, no source). Only hours that are over count, so that within an hour nothing changes, whatever comes in
which order. A gap that is not over has taught nothing yet.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from collector.alarms.chunk import Times

HOUR_MS = 3_600_000
_HOURS = 14 * 24
_TIMES = 3


class Gap(NamedTuple):
    """A time without a reading."""

    hour: int
    """In which it ended, hours since 1970."""
    long_ms: int


class Habit:
    """`gaps`: in the order in which they ended, those that can still matter; `last_ms`: when it was last heard;
    `changed`: whether they did since somebody looked."""

    __slots__ = ("_found", "_hour", "changed", "gaps", "last_ms", "least_ms", "most_ms")

    def __init__(self, least_ms: int, most_ms: int, last_ms: int | None, gaps: Sequence[Gap] = ()) -> None:
        self.least_ms, self.most_ms, self.last_ms = least_ms, max(least_ms, most_ms), last_ms
        self.gaps = list(gaps)
        self.changed = False
        self._hour, self._found = -1, least_ms

    def note(self, times: Times) -> None:
        """It was heard at these times (ms, strictly increasing, after all before)."""
        first_ms, last_ms = int(times[0]), int(times[-1])
        before_ms = first_ms if self.last_ms is None else self.last_ms
        self.last_ms = last_ms
        if _TIMES * (last_ms - before_ms) <= self.least_ms:
            return
        long_ms = np.diff(times, prepend=before_ms)
        for at in np.flatnonzero(_TIMES * long_ms > self.least_ms).tolist():
            self._take(Gap(int(times[at]) // HOUR_MS, int(long_ms[at])))

    def _take(self, gap: Gap) -> None:
        """Keep it, and let go of what is too old or has two at least as large after it in hours that are over."""
        kept = [one for one in self.gaps if one.hour >= gap.hour - _HOURS]
        over = [one for one in kept if one.hour < gap.hour]
        self.gaps = [
            one
            for place, one in enumerate(kept)
            if sum(later.long_ms >= one.long_ms for later in over[place + 1 :]) < 2
        ]
        self.gaps.append(gap)
        self.changed, self._hour = True, -1

    def reach_ms(self, from_ms: int) -> int:
        """For how long a silence that begins then is nothing unusual; `from_ms` not before the last gap."""
        hour = from_ms // HOUR_MS
        if hour != self._hour:
            usual = sorted(one.long_ms for one in self.gaps if hour - _HOURS <= one.hour < hour)[-2:]
            second_ms = usual[0] if len(usual) == 2 else 0
            self._hour, self._found = hour, min(max(_TIMES * second_ms, self.least_ms), self.most_ms)
        return self._found

    def turns(self, heard_ms: int | None) -> bool:
        """Whether what it is heard at is of another hour than what was before."""
        return heard_ms is not None and (self.last_ms is None or heard_ms // HOUR_MS != self.last_ms // HOUR_MS)
