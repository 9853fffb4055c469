"""Taking a journal back to the form an older program knows, with every reading it holds.

A copy of the journal as it was is made and checked first and stays beside it. All steps back are one transaction, so a
crash leaves the old form or the new one.
"""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from collector.store.connection import open_existing, transaction
from collector.store.errors import StoreError, translated
from collector.store.files import aside_name
from collector.store.homelock import HomeLock
from collector.store.migrations import STEPS, refuse_newer
from collector.store.repair.backup import backup


class Downgraded(NamedTuple):
    before: int
    """The form it was in."""
    kept: Path | None
    """The journal as it was; None where nothing was to do."""
    lost: tuple[tuple[str, int], ...]
    """What the older form cannot hold, and how many of it there were."""


def downgrade(path: Path, to: int, now_ms: int) -> Downgraded:
    """Bring the journal at `path` to form `to`. Raises HomeLocked while a collector runs on it, StoreError where it is
    newer than this program, older than `to`, or a step on the way has no way back."""
    if not 1 <= to <= len(STEPS):
        raise StoreError(f"there is no form {to}; this program knows forms 1 to {len(STEPS)}")
    with HomeLock(path.parent), translated(path), closing(open_existing(path)) as db:
        before = refuse_newer(db, path)
        if before < to:
            raise StoreError(f"{path}: in form {before} already, older than {to}; 'traywarden watch' upgrades it")
        for number in range(before, to, -1):
            if STEPS[number - 1].back is None:
                raise StoreError(f"{path}: there is no way back from form {number}; restore a backup made before it")
        if before == to:
            return Downgraded(before, None, ())
        kept = aside_name(path, f"form-{before}", now_ms)
        backup(path, kept)
        with transaction(db):
            lost = tuple(loss for number in range(before, to, -1) for loss in _step_back(db, number))
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return Downgraded(before, kept, lost)


def _step_back(db: sqlite3.Connection, number: int) -> list[tuple[str, int]]:
    step = STEPS[number - 1]
    counted = [(loss.what, int(db.execute(loss.counted_by).fetchone()[0])) for loss in step.loses]
    if step.back is not None:  # which the caller has made sure of
        step.back(db)
    db.execute("DELETE FROM migrations WHERE n = ?", (number,))
    return [(what, count) for what, count in counted if count]
