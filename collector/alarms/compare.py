"""Kinds `deviation` and `discrepancy`: a reading held against another series, or against the squeeze test.

Two series do not report at the same moments, nor in the order of their times. A comparison at time t takes the newest
clean reading of the other series that is older than t by at least its lag (two of its reporting intervals), and not
older than that by more than its gap limit. What a late message could still change is thereby seldom looked at; where it
would have been, it is said so on record:

    a reading of the other series that comes when a comparison past it has been made     UNSEEN: no comparison sees it
    a reading that comes so late that what it needs of the other series is forgotten     UNSEEN: it is not compared

So a replay that leaves UNSEEN readings out of comparisons, as live running did, gives the same.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from collector.alarms.alarm import Ledger
from collector.alarms.chunk import Flags, Mask, Readings, Times, Values
from collector.alarms.contexts import Contexts
from collector.alarms.derived import HOUR_MS, Derived, clean, doubt, usable
from collector.alarms.model import AlarmState, Band, Kind, Rule
from collector.alarms.recent import Recent
from collector.domain.diary import DiaryKind, Feel

KEEP_MS = 48 * HOUR_MS
"""So long the readings of a series that others are held against are kept; a probe that was cut off for longer is not
compared for what it brings along."""
SQUEEZE_HOLDS_MS = 12 * HOUR_MS
"""A squeeze test says nothing about the bedding of the next day."""
BEFORE_ALL = -(2**62)

SQUEEZE_BANDS = (Band(Feel.DRY, 0.0, 75.0), Band(Feel.DAMP, 60.0, 88.0), Band(Feel.WET, 75.0, 100.0))
"""What a probe may say beside each feel, in % of the wet weight, where the rule gives no bands of its own. The test
reads how full the bedding is, not how much water it holds (Woods End): a wrung-out sponge is 50-60 % in ordinary
compost (squeeze test, nwhorse) and 75-85 % in paper or coir (common practice). Coir is full at 88-92 % (computed from
Evans and others 1996). The ends are set wide for that reason (common practice, no source)."""


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
        sure = clean(readings)
        if readings.unseen is not None:
            sure &= ~readings.unseen
        self._recent.add(readings.t_ms[sure], readings.value[sure])

    def forget(self) -> None:
        if self._recent.t_ms.size:
            self._from_ms = max(self._from_ms, int(self._recent.t_ms[-1]) - KEEP_MS)
            self._recent.forget(self._from_ms)

    def passed(self, t_ms: Times) -> Mask:
        """Which readings of this series come when comparisons past them have been made."""
        judged = max((user.judged_ms for user in self.users), default=BEFORE_ALL)
        return t_ms <= judged - self._lag_ms

    def forgotten(self, t_ms: Times) -> Mask:
        """Which readings of another series need what is forgotten here."""
        return t_ms - (self._lag_ms + self._gap_ms) < self._from_ms

    def beside(self, t_ms: Times) -> Values:
        """What stands here for each time; NaN where nothing does."""
        known_ms = self._recent.t_ms
        found = np.full(t_ms.size, np.nan)
        place = known_ms.searchsorted(t_ms - self._lag_ms, "right") - 1
        there = place >= 0
        there[there] = t_ms[there] - self._lag_ms - known_ms[place[there]] <= self._gap_ms
        found[there] = self._recent.value[place[there]]
        return found


class Compared(Derived):
    """`deviation`: reading less reference. `discrepancy`: how far they are apart."""

    __slots__ = ("_reference",)

    def __init__(self, rule: Rule, saved: AlarmState, ledger: Ledger, reference: Reference) -> None:
        super().__init__(rule, saved, ledger)
        self._reference = reference

    def derive(self, readings: Readings) -> tuple[Times, Values, Flags]:
        apart = self._where_it_matters(readings.value, readings.value - self._reference.beside(readings.t_ms))
        told = usable(readings) if readings.unseen is None else usable(readings) & ~readings.unseen
        apart = np.where(told, np.abs(apart) if self.rule.kind is Kind.DISCREPANCY else apart, np.nan)
        return readings.t_ms, apart, doubt(readings.flags)

    def _where_it_matters(self, value: Values, apart: Values) -> Values:
        """Where the reading itself is not beyond what the rule says, the difference counts for no more than it would if
        that were where the setpoint stands: so the deadband holds for both, and neither chatters."""
        bound = self.rule.beyond
        if bound is None:
            return apart
        past = self.sign * (value - bound)
        return np.where(past > 0, apart, self.sign * np.minimum(self.sign * apart, self.setpoint + past))


class Squeezed(Derived):
    """How far the probe is outside the band of the last squeeze test: 0 inside, not told where none holds. Water given
    or drained ends what a squeeze test says."""

    __slots__ = ("_bands", "_contexts", "_moments", "_place")

    def __init__(self, rule: Rule, saved: AlarmState, ledger: Ledger, place: str) -> None:
        super().__init__(rule, saved, ledger)
        self._place = place
        self._bands = {band.feel: band for band in rule.bands or SQUEEZE_BANDS}

    def follow(self, contexts: Contexts) -> None:
        self._contexts = contexts
        found = contexts.changes(self._place)
        self._moments = np.array(sorted({*found, *(ms + 1 for ms in self._ends(found))}), np.int64)

    def _ends(self, changes: Sequence[int]) -> list[int]:
        tests = (self._contexts.last(DiaryKind.SQUEEZE, self._place, ms) for ms in changes)
        return [test.t_ms + SQUEEZE_HOLDS_MS for test in tests if test is not None]

    def _band(self, t_ms: int) -> Band | None:
        test = self._contexts.last(DiaryKind.SQUEEZE, self._place, t_ms)
        if test is None or test.result is None or t_ms - test.t_ms > SQUEEZE_HOLDS_MS:
            return None
        for kind in (DiaryKind.WATERED, DiaryKind.DRAINED):
            water = self._contexts.last(kind, self._place, t_ms)
            if water is not None and water.t_ms >= test.t_ms:
                return None
        return self._bands.get(test.result)

    def derive(self, readings: Readings) -> tuple[Times, Values, Flags]:
        t_ms, value = readings.t_ms, readings.value
        outside = np.full(t_ms.size, np.nan)
        told = usable(readings)
        cuts = [0, *np.unique(t_ms.searchsorted(self._moments)).tolist(), t_ms.size]
        for start, end in pairwise(cuts):
            band = self._band(int(t_ms[start])) if start < end else None
            if band is not None:
                part = slice(start, end)
                beyond = np.maximum(np.maximum(band.low - value[part], value[part] - band.high), 0.0)
                outside[part] = np.where(told[part], beyond, np.nan)
        return t_ms, outside, doubt(readings.flags)
