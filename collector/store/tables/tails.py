"""The last stretch of each series as arrays, from which quality checks and alarms rebuild what they knew."""

import sqlite3
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice, pairwise

import numpy as np
from numpy.typing import NDArray

from collector.domain.readings import Why
from collector.store.tables import reading

_TOGETHER = 5_000
"""Rows of all series that are turned into arrays at once."""
_LATE = np.uint16(Why.LATE)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Tail:
    """Readings of one series in the order of their times (ms UTC), each array of shape (n,), 19 bytes each. `value`
    is in the unit of the series, NaN where there is no number."""

    t_ms: NDArray[np.int64]
    value: NDArray[np.float64]
    flag: NDArray[np.uint8]
    why: NDArray[np.uint16]


def pieces(
    db: sqlite3.Connection, only: Collection[int] | None, since_ms: int, until_ms: int | None = None
) -> Iterator[tuple[int, Tail]]:
    """(series, readings) from `since_ms` on, before `until_ms`, without late ones: those were never judged and left no
    trace in memory. A series comes again and again, each time with what follows."""
    stored = reading.readings(db, since_ms, until_ms, only)
    while rows := list(islice(stored, _TOGETHER)):
        t_ms, numbers, value, flag, _raw, why = zip(*rows, strict=True)
        series = np.array(numbers, np.int64)
        whole = Tail(
            t_ms=np.array(t_ms, np.int64),
            value=np.array(value, np.float64),
            flag=np.array(flag, np.uint8),
            why=np.array(why, np.uint16),
        )
        judged = np.flatnonzero((whole.why & _LATE) == 0)
        order = judged[np.argsort(series[judged], kind="stable")]
        edges = np.flatnonzero(np.diff(series[order], prepend=-1, append=-1))
        for start, end in pairwise(edges.tolist()):
            yield int(series[order[start]]), _some(whole, order[start:end])


def _some(rows: Tail, at: NDArray[np.intp]) -> Tail:
    return Tail(t_ms=rows.t_ms[at], value=rows.value[at], flag=rows.flag[at], why=rows.why[at])


def joined(parts: Sequence[Tail]) -> Tail:
    """One after the other."""
    return Tail(
        t_ms=np.concatenate([tail.t_ms for tail in parts]),
        value=np.concatenate([tail.value for tail in parts]),
        flag=np.concatenate([tail.flag for tail in parts]),
        why=np.concatenate([tail.why for tail in parts]),
    )


def tails(
    db: sqlite3.Connection, only: Collection[int] | None, since_ms: int, until_ms: int | None = None
) -> dict[int, Tail]:
    """All of it by series; series without any are left out."""
    found: dict[int, list[Tail]] = {}
    for series, rows in pieces(db, only, since_ms, until_ms):
        found.setdefault(series, []).append(rows)
    return {series: joined(parts) for series, parts in found.items()}
