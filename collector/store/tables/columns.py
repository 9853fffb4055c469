"""Stored readings as numpy columns in the order of their times, for replay: a year in seconds.

Only what cannot be computed again is read: raw values and what was known on arrival. Most rows have no reason set, so
reasons come in a second query that returns few rows.
"""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from collector.store.migrations import SERIES_BITS, SERIES_MASK

_ROWS = 60_000
_LONGEST_MS = 100 * 86_400_000
"""At most this long a stretch in one chunk: a key counted from its start then stays below 2^53."""
_NO_NUMBER = -1.7e308
"""Stands for NULL on the way: no probe says this."""
_RAW = f"SELECT id - ?1, ifnull(raw, {_NO_NUMBER!r}) FROM readings WHERE id >= ?1 AND id < ? ORDER BY id LIMIT ?"  # noqa: S608
_WHY = "SELECT id, why FROM readings WHERE id >= ? AND id < ? AND why != 0"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Columns:
    """Readings of all series from `t_ms[0]` on, before `until_ms`: no later chunk holds an earlier time. Arrays of
    shape (n,) in the order of (time, series); `raw` as it was sent, NaN for no number."""

    t_ms: NDArray[np.int64]
    series: NDArray[np.int64]
    raw: NDArray[np.float64]
    why: NDArray[np.uint16]
    until_ms: int


def columns(db: sqlite3.Connection, since_ms: int, until_ms: int, rows: int = _ROWS) -> Iterator[Columns]:
    """Chunks of about `rows` readings from `since_ms` on, before `until_ms`; a moment is never split between two."""
    after = since_ms
    while after < until_ms:
        end = min(until_ms, after + _LONGEST_MS)
        ids, raw = _fetch(db, after, end, rows)
        if ids.size == rows:
            last = int(ids[-1]) >> SERIES_BITS
            if last > after:
                end = last
                keep = np.searchsorted(ids, end << SERIES_BITS)
                ids, raw = ids[:keep], raw[:keep]
            else:  # more series than rows reported in one millisecond: take the moment whole
                end = after + 1
                ids, raw = _fetch(db, after, end, -1)
        if ids.size:
            yield Columns(
                t_ms=ids >> SERIES_BITS,
                series=ids & SERIES_MASK,
                raw=raw,
                why=_reasons(db, ids, after, end),
                until_ms=end,
            )
        after = end


def _fetch(
    db: sqlite3.Connection, since_ms: int, until_ms: int, rows: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Keys and raw values. Both columns pass through one float array without an object kept for each row; keys are
    counted from the first moment, so that a float holds them exactly."""
    base = since_ms << SERIES_BITS
    found = db.execute(_RAW, (base, until_ms << SERIES_BITS, rows))
    both = np.fromiter(chain.from_iterable(found), np.float64).reshape(-1, 2)
    raw = both[:, 1].copy()
    raw[raw == _NO_NUMBER] = np.nan
    return both[:, 0].astype(np.int64) + base, raw


def _reasons(db: sqlite3.Connection, ids: NDArray[np.int64], since_ms: int, until_ms: int) -> NDArray[np.uint16]:
    why = np.zeros(ids.size, np.uint16)
    for number, reasons in db.execute(_WHY, (since_ms << SERIES_BITS, until_ms << SERIES_BITS)):
        why[np.searchsorted(ids, number)] = reasons
    return why
