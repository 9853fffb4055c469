"""What else a probe measured while its moisture says that it was out of the bedding: its temperature was the air's too.

    out     from the first reading of moisture out of the bedding to a quarter of an hour after the first one back in it
            (a probe takes minutes to come to the temperature around it: common practice, no source); out again within
            that quarter, it was never back

Two bounds keep a moisture channel that broke from making a tray blind to heat: nothing is said of temperature later
than three hours after it began, nor two hours after moisture was last heard. A probe that is forgotten on a table for
longer tells the room's temperature, which alone is no harm.

Both channels come in one message, as a rule. Moisture that comes after the temperature it would have spoken for was
judged is `Why.ALONE`, and speaks for none; replay knows it by that.
"""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from collector.domain.lab import Channel, Lab, Probe, SeriesKey
from collector.domain.probe_models import BED_MEMORY_MS
from collector.domain.readings import Flag, Why
from collector.store.tables.tails import Tail

Mask = NDArray[np.bool_]
TimeArray = NDArray[np.int64]

MINUTE_MS = 60_000
SETTLES_MS = 15 * MINUTE_MS
LASTS_MS = 180 * MINUTE_MS
HEARD_MS = 120 * MINUTE_MS
_KEPT_MS = BED_MEMORY_MS
_FLAGS = int(Why.NOT_THE_BEDDING | Why.ALONE)
_OUT, _ALONE = np.uint16(Why.NOT_THE_BEDDING), np.uint16(Why.ALONE)
_BEFORE_ALL = -(2**62)
_FAIL, _USABLE = np.uint8(Flag.FAIL), np.uint8(3)


class Checked(NamedTuple):
    """Readings of one series after the quality checks, an element for each in all arrays, which are changed in place.
    `then`: reasons on record where it is replayed."""

    t_ms: TimeArray
    flags: NDArray[np.uint8]
    why: NDArray[np.uint16]
    then: NDArray[np.uint16] | None = None


class Spell(NamedTuple):
    """Readings of moisture out of the bedding, one after the other (ms)."""

    first: int
    last: int
    back: int | None = None
    """When one in the bedding followed."""

    def goes_on(self, at_ms: int) -> bool:
        """Whether another one out of the bedding, at this moment, belongs to it."""
        return at_ms - self.last <= HEARD_MS and (self.back is None or at_ms - self.back <= SETTLES_MS)


class Spells:
    """When a probe was out of its bedding, lately."""

    __slots__ = ("found",)

    def __init__(self) -> None:
        self.found: list[Spell] = []

    @property
    def open(self) -> bool:
        """Whether it has not been back since."""
        return bool(self.found) and self.found[-1].back is None

    def remember(self, t_ms: TimeArray, flags: NDArray[np.uint8], why: NDArray[np.uint16]) -> None:
        """Take in readings of moisture, in the order of their times; those that say nothing are left out."""
        out = (why & _FLAGS) == _OUT
        if not self.open and not out.any():
            return
        told = (out | (flags <= _USABLE)) & ((why & _ALONE) == 0)
        self._forget(int(t_ms[0]) - _KEPT_MS)
        for at, away in zip(t_ms[told].tolist(), out[told].tolist(), strict=True):
            last = self.found[-1] if self.found else None
            if away and last is not None and last.goes_on(at):
                self.found[-1] = Spell(last.first, at)
            elif away:
                self.found.append(Spell(at, at))
            elif last is not None and last.back is None:
                self.found[-1] = last._replace(back=at)

    def _forget(self, before_ms: int) -> None:
        while len(self.found) > 1 and self.found[0].last < before_ms:
            del self.found[0]

    def cover(self, t_ms: TimeArray) -> Mask:
        """Which moments, in ms, were out of the bedding as far as what was heard up to then says."""
        covered = np.zeros(t_ms.size, np.bool_)
        for spell in self.found:
            until = spell.last + HEARD_MS if spell.back is None else min(spell.last + HEARD_MS, spell.back - 1)
            until = min(until, spell.first + LASTS_MS)
            covered |= (t_ms >= spell.first) & (t_ms <= until)
            if spell.back is not None:
                covered |= (t_ms >= spell.back) & (t_ms <= min(spell.back + SETTLES_MS, spell.first + LASTS_MS))
        return covered


def spells_of(rows: Tail) -> Spells:
    """As these stored readings say."""
    spells = Spells()
    spells.remember(rows.t_ms, rows.flag, rows.why)
    return spells


class _Stick:
    """One probe: `moisture` and `others` are the numbers of series."""

    __slots__ = ("judged_ms", "moisture", "others", "spells")

    def __init__(self, moisture: int, others: tuple[int, ...], spells: Spells, judged_ms: int) -> None:
        self.moisture, self.others, self.spells, self.judged_ms = moisture, others, spells, judged_ms

    def mark(self, batch: Mapping[int, Checked]) -> None:
        found = batch.get(self.moisture)
        if found is not None and found.t_ms.size:
            self._hear(found)
        for number in self.others:
            checked = batch.get(number)
            if checked is not None and checked.t_ms.size:
                self.judged_ms = max(self.judged_ms, int(checked.t_ms[-1]))
                if self.spells.found:
                    out = self.spells.cover(checked.t_ms) & (checked.flags <= _USABLE)
                    checked.flags[out] = _FAIL
                    checked.why[out] |= _OUT

    def _hear(self, found: Checked) -> None:
        if found.then is not None:
            found.why[:] |= found.then & _ALONE
        elif found.t_ms[0] <= self.judged_ms and (self.spells.open or (found.why & _OUT).any()):
            found.why[found.t_ms <= self.judged_ms] |= _ALONE
        self.spells.remember(found.t_ms, found.flags, found.why)


class Lifted:
    """The probes of a lab that measure moisture and temperature of one bedding."""

    def __init__(
        self, lab: Lab, numbers: Mapping[SeriesKey, int], spells: Mapping[int, Spells], newest_ms: Mapping[int, int]
    ) -> None:
        """By the number of a series: `spells`, as far as is known; `newest_ms`, the time of its newest reading."""
        self._sticks = []
        for probe in lab.probes:
            moist, others = (
                _numbers(probe, numbers, "bedding_moisture"),
                _numbers(probe, numbers, "bedding_temperature"),
            )
            if len(moist) == 1 and others:
                judged_ms = max(newest_ms.get(number, _BEFORE_ALL) for number in others)
                self._sticks.append(_Stick(moist[0], others, spells.get(moist[0], Spells()), judged_ms))

    def mark(self, batch: Mapping[int, Checked]) -> None:
        """Take in readings newer than all before of their series, and mark those that are not about the bedding."""
        for stick in self._sticks:
            stick.mark(batch)


def _numbers(probe: Probe, numbers: Mapping[SeriesKey, int], measure: str) -> tuple[int, ...]:
    found = (numbers.get(_key(probe, channel)) for channel in probe.channels if channel.measure == measure)
    return tuple(number for number in found if number is not None)


def _key(probe: Probe, channel: Channel) -> SeriesKey:
    return SeriesKey(probe=probe.id, channel=channel.key, measure=channel.measure, place=probe.place)
