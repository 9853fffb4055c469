"""A reading held against another series, as kinds `deviation` and `discrepancy` do it.

Two series do not report at the same moments, nor in the order of their times. A comparison at time t takes the newest
clean reading of the other series that is older than t by at least its lag (two of its reporting intervals), and not
older than that by more than its gap limit. What a late message could still change is thereby seldom looked at; where it
would have been, it is said so on record:

    a reading of the other series that comes when a comparison past it has been made     UNSEEN: no comparison sees it
    a reading that comes so late that what it needs of the other series is forgotten     UNSEEN: it is not compared

So a replay that leaves UNSEEN readings out of comparisons, as live running did, gives the same.
"""

import numpy as np

from collector.alarms.chunk import Mask, Readings, Times, Values
from collector.alarms.kinds.alarm import Seat
from collector.alarms.kinds.derived import HOUR_MS, Derived, clean, delays_ms, usable
from collector.alarms.model import Rule
from collector.alarms.recent import Recent
from collector.alarms.start import BEFORE_ALL, GAP_MS

KEEP_MS = 48 * HOUR_MS
"""So long the readings of a series that others are held against are kept; a probe that was cut off for longer is not
compared for what it brings along."""


class Watched:
    """One side of a comparison between series: how far it has been judged."""

    __slots__ = ("judged_ms",)

    def __init__(self, judged_ms: int) -> None:
        self.judged_ms = judged_ms


class Reference:
    """A series that others are held against."""

    __slots__ = ("_from_ms", "_gap_ms", "_lag_ms", "_recent", "users")

    def __init__(self, every_ms: int, gap_ms: int) -> None:
        self._lag_ms, self._gap_ms = 2 * every_ms, gap_ms
        self._recent = Recent()
        self._from_ms = BEFORE_ALL
        """Of what is older than this nothing is known."""
        self.users: list[Watched] = []

    def remember(self, readings: Readings, since_ms: int) -> None:
        """Take in stored rows from `since_ms` on."""
        self.add(readings)
        self._from_ms = since_ms
        self.forget()

    def add(self, readings: Readings) -> None:
        """Take in readings newer than all before; what is doubtful or UNSEEN is not compared with."""
        sure = clean(readings)
        if readings.unseen is not None:
            sure &= ~readings.unseen
        self._recent.add(readings.t_ms[sure], readings.value[sure])

    def forget(self) -> None:
        """Let go of what is too old to be compared with."""
        if self._recent.t_ms.size:
            self._from_ms = max(self._from_ms, int(self._recent.t_ms[-1]) - KEEP_MS)
            self._recent.forget(self._from_ms)

    def passed(self, t_ms: Times) -> Mask:
        """Which readings of this series, at these times in ms, come when comparisons past them have been made: a mask
        of as many."""
        judged = max((user.judged_ms for user in self.users), default=BEFORE_ALL)
        return t_ms <= judged - self._lag_ms

    def forgotten(self, t_ms: Times) -> Mask:
        """Which readings of another series, at these times in ms, need what is forgotten here: a mask of as many."""
        return t_ms - (self._lag_ms + self._gap_ms) < self._from_ms

    def beside(self, t_ms: Times) -> Values:
        """The value here for each time (ms, in any order), as many; NaN where nothing stands beside it."""
        known_ms = self._recent.t_ms
        found = np.full(t_ms.size, np.nan)
        place = known_ms.searchsorted(t_ms - self._lag_ms, "right") - 1
        there = place >= 0
        there[there] = t_ms[there] - self._lag_ms - known_ms[place[there]] <= self._gap_ms
        found[there] = self._recent.value[place[there]]
        return found


class Compared(Derived):
    """An alarm at a series that others are held against."""

    __slots__ = ("_reference",)

    def __init__(self, seat: Seat, sign: float, reference: Reference) -> None:
        super().__init__(seat, sign)
        self._reference = reference

    def _apart(self, readings: Readings) -> Values:
        """Reading less reference; NaN where that cannot be told."""
        told = usable(readings) if readings.unseen is None else usable(readings) & ~readings.unseen
        return np.where(told, readings.value - self._reference.beside(readings.t_ms), np.nan)


def memory_ms(rule: Rule, slowest_ms: int) -> int:
    """As far back as anything is kept to be held against."""
    return KEEP_MS + max(7 * slowest_ms, GAP_MS) + delays_ms(rule)
