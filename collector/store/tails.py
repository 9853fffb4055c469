"""The last stretch of each series as arrays, from which quality checks rebuild what they knew before a restart."""

import math
import sqlite3
from array import array
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from collector.domain.readings import Why
from collector.store import reading


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Tail:
    """Readings of one series in the order of their times (ms UTC), each array of shape (n,); no number is NaN. `value`
    is in the unit of the series, `raw` as it was sent."""

    t_ms: NDArray[np.int64]
    value: NDArray[np.float64]
    flag: NDArray[np.int64]
    raw: NDArray[np.float64]
    why: NDArray[np.int64]


class _Columns:
    """Grows row by row without an object for each number: a week of a busy lab is a quarter of a million rows."""

    __slots__ = ("flag", "raw", "t_ms", "value", "why")

    def __init__(self) -> None:
        self.t_ms, self.value, self.flag = array("q"), array("d"), array("q")
        self.raw, self.why = array("d"), array("q")

    def add(self, t_ms: int, value: float | None, flag: int, raw: float | None, why: int) -> None:
        self.t_ms.append(t_ms)
        self.value.append(math.nan if value is None else value)
        self.flag.append(flag)
        self.raw.append(math.nan if raw is None else raw)
        self.why.append(why)

    def tail(self) -> Tail:
        return Tail(
            t_ms=np.frombuffer(self.t_ms, dtype=np.int64),
            value=np.frombuffer(self.value, dtype=np.float64),
            flag=np.frombuffer(self.flag, dtype=np.int64),
            raw=np.frombuffer(self.raw, dtype=np.float64),
            why=np.frombuffer(self.why, dtype=np.int64),
        )


def tails(
    db: sqlite3.Connection, only: Collection[int] | None, since_ms: int, until_ms: int | None = None
) -> dict[int, Tail]:
    """Readings since `since_ms` by series, without late ones: those were never judged and left no trace in memory."""
    found: dict[int, _Columns] = {}
    for t_ms, series, value, flag, raw, why in reading.readings(db, since_ms, until_ms, only):
        if not why & Why.LATE:
            columns = found.get(series)
            if columns is None:
                columns = found[series] = _Columns()
            columns.add(t_ms, value, flag, raw, why)
    return {series: columns.tail() for series, columns in found.items()}
