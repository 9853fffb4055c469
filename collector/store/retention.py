"""Deleting old readings in bounded steps; their hourly and daily summaries stay for good.

The horizon is the local midnight before which readings go. It is written down with the first step, and from then on
nothing before it is stored or summed up again: a summary of a half deleted day would be wrong. Readings are deleted up
to the whole hour at or before the horizon, so that every hour kept is a whole one in any time zone.
"""

import sqlite3
from typing import NamedTuple

from collector.store.connection import transaction
from collector.store.localdays import LocalDays, hour_start
from collector.store.migrations import SERIES_BITS
from collector.store.rollups import Rollups

_STEP_ROWS = 5_000
_DAY_MS = 86_400_000


class RetentionResult(NamedTuple):
    deleted: int
    more: bool
    """Something remains to be deleted: call again."""


def retain(
    db: sqlite3.Connection, rollups: Rollups, days: LocalDays, now_ms: int, keep_days: int, at_most: int
) -> RetentionResult:
    """Delete up to `at_most` readings older than `keep_days`, each step its own short transaction."""
    if keep_days < 1:
        raise ValueError(f"keep_days is {keep_days}; 1 or more")
    wanted = days.at(now_ms - keep_days * _DAY_MS).start_ms
    horizon = max(wanted, rollups.horizon_ms or wanted)
    limit = hour_start(horizon) << SERIES_BITS
    if horizon != rollups.horizon_ms:
        rollups.settle_before(horizon)
        with transaction(db):
            rollups.set_horizon(horizon)
        rollups.horizon_ms = horizon
    deleted = 0
    while deleted < at_most:
        step = _delete_step(db, rollups, limit)
        deleted += step
        if step == 0:
            return RetentionResult(deleted, False)
    more = db.execute("SELECT 1 FROM readings WHERE id < ? LIMIT 1", (limit,)).fetchone() is not None
    return RetentionResult(deleted, more)


def _delete_step(db: sqlite3.Connection, rollups: Rollups, limit: int) -> int:
    last = db.execute(
        "SELECT id FROM readings WHERE id < ? ORDER BY id LIMIT 1 OFFSET ?", (limit, _STEP_ROWS)
    ).fetchone()
    if last is None and db.execute("SELECT 1 FROM readings WHERE id < ? LIMIT 1", (limit,)).fetchone() is None:
        return 0
    with transaction(db):
        deleted = db.execute("DELETE FROM readings WHERE id < ?", (limit if last is None else last[0],)).rowcount
        rollups.count_deleted(deleted)
    return deleted
