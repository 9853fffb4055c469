"""Deleting old readings in bounded steps; their hourly and daily summaries stay for good.

The horizon is the local midnight before which readings go. It is written down with the first step, and from then on
nothing before it is stored or summed up again: a summary of a half deleted day would be wrong. Readings are deleted up
to the whole hour at or before the horizon, so that every hour kept is a whole one in any time zone.

What deletes does not take the clock's word. The present it goes by (`believed`) moves on by this machine's own running
time and a day at most for each call, and by no more than the running time once the clock was seen to step: a clock that
is years ahead for an afternoon deletes nothing that it should not. A horizon that such a clock has left behind is taken
back (`mended`), so that readings are stored again.
"""

import sqlite3
from typing import NamedTuple

from collector.store.connection import transaction
from collector.store.localdays import LocalDays, hour_start
from collector.store.migrations import SERIES_BITS
from collector.store.rollups import Rollups

_STEP_ROWS = 5_000
_DAY_MS = 86_400_000
_STEP_MS = 600_000
"""The clock moved by so much more, or less, than time passed: it was set."""


class Moment(NamedTuple):
    """The clock and the running time at one moment."""

    now_ms: int
    running_s: float
    """Seconds of any clock that only ever runs forwards."""


class RetentionResult(NamedTuple):
    deleted: int
    more: bool
    """Something remains to be deleted: call again."""


def believed_ms(last_ms: int | None, last: Moment | None, at: Moment, newest_ms: int | None) -> int:
    """The present that deleting may go by. `last_ms`: the one of the call before, kept over restarts; `last`: when that
    was, None before the first call of this process. `newest_ms`: the newest reading, by which a first call goes."""
    if last_ms is None:
        return at.now_ms if newest_ms is None else min(at.now_ms, newest_ms + _DAY_MS)
    since_s = at.running_s - (last.running_s if last is not None else 0.0)
    passed_ms = round(max(0.0, since_s) * 1000)
    stepped = last is not None and abs(at.now_ms - last.now_ms - passed_ms) > _STEP_MS
    return min(at.now_ms, last_ms + passed_ms + (0 if stepped else _DAY_MS))


def mend(db: sqlite3.Connection, rollups: Rollups, days: LocalDays, now_ms: int) -> bool:
    """Take a horizon back that only a clock that was ahead can have set, for the days it was to keep. True: it was."""
    if rollups.horizon_ms is None:
        return False
    latest = days.at(now_ms - (rollups.kept_days or 1) * _DAY_MS).start_ms
    if rollups.horizon_ms <= latest + _DAY_MS:  # a day of grace for a changed time zone
        return False
    with transaction(db):
        rollups.set_horizon(latest, rollups.kept_days)
    return True


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
            rollups.set_horizon(horizon, keep_days)
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
