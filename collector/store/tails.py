"""The last stretch of each series as arrays, from which quality checks rebuild what they knew before a restart."""

import sqlite3
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from collector.domain.readings import Why
from collector.store import reading


@dataclass(frozen=True, slots=True, eq=False)
class Tail:
    """Readings of one series in the order of their times; no number is NaN."""

    t_ms: NDArray[np.int64]
    value: NDArray[np.float64]
    flag: NDArray[np.int64]
    raw: NDArray[np.float64]
    why: NDArray[np.int64]


def tails(db: sqlite3.Connection, only: Collection[int] | None, since_ms: int) -> dict[int, Tail]:
    """Readings since `since_ms` by series, without late ones: those were never judged and left no trace in memory."""
    rows = [row for row in reading.readings(db, since_ms, None, only) if not row[5] & Why.LATE]
    if not rows:
        return {}
    number, t_ms, value, flag, raw, why = zip(*rows, strict=True)
    order = np.argsort(np.array(number), kind="stable")
    numbers = np.array(number)[order]
    columns = (
        np.array(t_ms, dtype=np.int64)[order],
        np.array(value, dtype=np.float64)[order],
        np.array(flag, dtype=np.int64)[order],
        np.array(raw, dtype=np.float64)[order],
        np.array(why, dtype=np.int64)[order],
    )
    found, starts = np.unique(numbers, return_index=True)
    ends = [*starts[1:], len(numbers)]
    return {
        int(n): Tail(*(column[start:end] for column in columns))  # type: ignore[arg-type]
        for n, start, end in zip(found, starts, ends, strict=True)
    }
