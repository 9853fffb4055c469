"""Readings of one series on their way through its alarms: looked at once here, so that alarms share the work.

`chunk()` gives a Small or a Large one. Both answer the same questions ("how high did it get?"), by which most alarms
see at once that nothing here can concern them. Beyond that a Small chunk is a list of rows to walk, and a Large one is
arrays to scan. Every alarm must come out of both with the same transitions.
"""

import math
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from collector.domain.readings import Why

Times = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]
Flags = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]
_UNSEEN, _OUT = np.uint16(Why.UNSEEN), np.uint16(Why.NOT_THE_BEDDING)


class Readings(NamedTuple):
    """Readings of one series as columns, increasing in time. Where there is no number `value` is NaN."""

    t_ms: Times
    value: Values
    flags: Flags
    unseen: Mask | None = None
    """Which of them take no part in comparisons between series (Why.UNSEEN), where that is on record."""
    out: Mask | None = None
    """Which of them the probe took out of its bedding (Why.NOT_THE_BEDDING); None: none of them. They have failed as
    readings; the probe was heard all the same, and what was about to be raised is not."""

    def part(self, which: slice) -> "Readings":
        """Some of them."""
        unseen = None if self.unseen is None else self.unseen[which]
        out = None if self.out is None else self.out[which]
        return Readings(self.t_ms[which], self.value[which], self.flags[which], unseen, out)


def readings_of(t_ms: Times, value: Values, flags: Flags, why: npt.NDArray[np.uint16]) -> Readings:
    """As they are stored, with what their reasons (`domain.readings.Why`) say of them."""
    return Readings(t_ms, value, flags, (why & _UNSEEN) != 0, out_of(why))


def out_of(why: npt.NDArray[np.uint16]) -> Mask | None:
    """Which readings were taken out of the bedding; None where none was."""
    out: Mask = (why & _OUT) != 0
    return out if out.any() else None


SMALL = 32
"""Up to this many readings plain Python is quicker than starting numpy."""


class Row(NamedTuple):
    """One reading. `value` is None where it says nothing: failed, missing, not a number."""

    t_ms: int
    value: float | None
    clean: bool
    out: bool = False


class Span(NamedTuple):
    """Lowest and highest value, +inf and -inf where there is none."""

    low: float
    high: float

    def signed_high(self, sign: float) -> float:
        """The highest value times `sign`; -inf where there is none."""
        return self.high if sign > 0 else -self.low

    def signed_low(self, sign: float) -> float:
        """The lowest value times `sign`; +inf where there is none."""
        return self.low if sign > 0 else -self.high


class Small:
    """A few readings as rows."""

    __slots__ = (
        "clean",
        "last_heard_ms",
        "last_ms",
        "last_value",
        "rows",
        "usable",
    )

    def __init__(self, t_ms: Times, value: Values, flags: Flags, out: Mask | None = None) -> None:
        low, high, clean_low, clean_high = math.inf, -math.inf, math.inf, -math.inf
        last: int | None = None
        told: float | None = None
        rows: list[Row] = []
        for t, number, flag in zip(t_ms.tolist(), value.tolist(), flags.tolist(), strict=True):
            if not (1 <= flag <= 3 and math.isfinite(number)):
                rows.append(Row(t, None, False))
                continue
            clean = flag != 3
            rows.append(Row(t, number, clean))
            low, high = min(low, number), max(high, number)
            if clean:
                clean_low, clean_high = min(clean_low, number), max(clean_high, number)
            last, told = t, number
        if out is not None:
            rows = [row._replace(out=away) for row, away in zip(rows, out.tolist(), strict=True)]
            last = max((row.t_ms for row in rows if row.value is not None or row.out), default=None)
        self.rows = rows
        self.usable = Span(low, high)
        self.clean = Span(clean_low, clean_high)
        self.last_ms: int = rows[-1].t_ms
        self.last_heard_ms, self.last_value = last, told

    @property
    def heard_ms(self) -> Times:
        """When it was heard: the times of the usable readings, and of those out of the bedding."""
        return np.array([row.t_ms for row in self.rows if row.value is not None or row.out], np.int64)


class Large:
    """Many readings as arrays; what only a crossing alarm needs is made when first asked for."""

    def __init__(self, t_ms: Times, value: Values, flags: Flags, out: Mask | None = None) -> None:
        self.t_ms, self.value, self.out = t_ms, value, out
        rank = flags - np.uint8(1)  # wraps 0 to 255, so that one comparison finds 1, 2, 3
        self.told: Mask = (rank < 3) & np.isfinite(value)
        self.sure: Mask = self.told & (rank < 2)
        self.all_told = bool(self.told.all())
        self.all_sure = self.all_told and bool(self.sure.all())
        heard = value if self.all_told else value[self.told]
        self.told_ms: Times = t_ms if self.all_told else t_ms[self.told]
        self.heard_ms: Times = self.told_ms if out is None else t_ms[self.told | out]
        self.usable = _span(heard)
        self.clean = self.usable if self.all_sure else _span(value[self.sure])
        self.last_ms = int(t_ms[-1])
        any_heard = bool(self.heard_ms.size)
        self.last_heard_ms = int(self.heard_ms[-1]) if any_heard else None
        self.last_value = float(heard[-1]) if heard.size else None

    @cached_property
    def _signed(self) -> dict[float, tuple[Values, Values]]:
        return {}

    def signed(self, sign: float) -> tuple[Values, Values]:
        """Values times `sign` twice over: with -inf where not usable, and with +inf where not clean, so that one
        comparison says "usable and above" and "clean and below"."""
        made = self._signed.get(sign)
        if made is None:
            values = self.value if sign > 0 else -self.value
            usable = values if self.all_told else np.where(self.told, values, -np.inf)
            clean = values if self.all_sure else np.where(self.sure, values, np.inf)
            made = self._signed[sign] = (usable, clean)
        return made

    def past(self, t_ms: int) -> int:
        """How many readings are not later than `t_ms`."""
        return int(self.t_ms.searchsorted(t_ms, "right"))

    def told_before(self, index: int, otherwise: float | None) -> float | None:
        """The last usable value before `index`."""
        if self.all_told:
            return float(self.value[index - 1]) if index else otherwise
        known = int(self.told_ms.searchsorted(self.t_ms[index - 1], "right")) if index else 0
        return float(self._heard[known - 1]) if known else otherwise

    @cached_property
    def _heard(self) -> Values:
        return self.value[self.told]


def _span(values: Values) -> Span:
    return Span(float(values.min()), float(values.max())) if values.size else Span(math.inf, -math.inf)


Chunk = Small | Large


def chunk(t_ms: Times, value: Values, flags: Flags, out: Mask | None = None) -> Chunk:
    """The readings ready to be judged: columns of one length, one at least, `t_ms` in ms and strictly increasing;
    `out` as in `Readings`."""
    return Small(t_ms, value, flags, out) if t_ms.size <= SMALL else Large(t_ms, value, flags, out)


def first(mask: Mask, position: int) -> int:
    """The first true place of a mask (one dimension) from `position` on, or its length where there is none."""
    rest = mask[position:]
    step = int(rest.argmax()) if rest.size else 0
    return position + step if rest.size and rest[step] else len(mask)
