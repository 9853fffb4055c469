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

Times = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]
Flags = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]


class Readings(NamedTuple):
    """Readings of one series as columns, increasing in time. Where there is no number `value` is NaN."""

    t_ms: Times
    value: Values
    flags: Flags
    unseen: Mask | None = None
    """Which of them take no part in comparisons between series (Why.UNSEEN), where that is on record."""

    def part(self, which: slice) -> "Readings":
        """Some of them."""
        unseen = None if self.unseen is None else self.unseen[which]
        return Readings(self.t_ms[which], self.value[which], self.flags[which], unseen)


SMALL = 32
"""Up to this many readings plain Python is quicker than starting numpy."""


class Row(NamedTuple):
    """One reading. `value` is None where it says nothing: failed, missing, not a number."""

    t_ms: int
    value: float | None
    clean: bool


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

    def __init__(self, t_ms: Times, value: Values, flags: Flags) -> None:
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
        self.rows = rows
        self.usable = Span(low, high)
        self.clean = Span(clean_low, clean_high)
        self.last_ms: int = rows[-1].t_ms
        self.last_heard_ms, self.last_value = last, told

    @property
    def heard_ms(self) -> Times:
        """The times of the usable readings."""
        return np.array([row.t_ms for row in self.rows if row.value is not None], np.int64)


class Large:
    """Many readings as arrays; what only a crossing alarm needs is made when first asked for."""

    def __init__(self, t_ms: Times, value: Values, flags: Flags) -> None:
        self.t_ms, self.value = t_ms, value
        rank = flags - np.uint8(1)  # wraps 0 to 255, so that one comparison finds 1, 2, 3
        self.told: Mask = (rank < 3) & np.isfinite(value)
        self.sure: Mask = self.told & (rank < 2)
        self.all_told = bool(self.told.all())
        self.all_sure = self.all_told and bool(self.sure.all())
        heard = value if self.all_told else value[self.told]
        self.heard_ms: Times = t_ms if self.all_told else t_ms[self.told]
        self.usable = _span(heard)
        self.clean = self.usable if self.all_sure else _span(value[self.sure])
        self.last_ms = int(t_ms[-1])
        any_heard = bool(self.heard_ms.size)
        self.last_heard_ms = int(self.heard_ms[-1]) if any_heard else None
        self.last_value = float(heard[-1]) if any_heard else None

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
        known = int(self.heard_ms.searchsorted(self.t_ms[index - 1], "right")) if index else 0
        return float(self._heard[known - 1]) if known else otherwise

    @cached_property
    def _heard(self) -> Values:
        return self.value[self.told]


def _span(values: Values) -> Span:
    return Span(float(values.min()), float(values.max())) if values.size else Span(math.inf, -math.inf)


Chunk = Small | Large


def chunk(t_ms: Times, value: Values, flags: Flags) -> Chunk:
    """The readings ready to be judged: columns of one length, one at least, `t_ms` in ms and strictly increasing."""
    return Small(t_ms, value, flags) if t_ms.size <= SMALL else Large(t_ms, value, flags)


def first(mask: Mask, position: int) -> int:
    """The first true place of a mask (one dimension) from `position` on, or its length where there is none."""
    rest = mask[position:]
    step = int(rest.argmax()) if rest.size else 0
    return position + step if rest.size and rest[step] else len(mask)
