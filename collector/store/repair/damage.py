"""Opening a database that may be damaged (a card pulled out, a power cut on a disk that lies about what it wrote).

The damaged file is never repaired in place: it is set aside whole, and everything that can still be read is salvaged
into a new one, which the collector goes on with.
"""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from collector.store.connection import known_as_ours, open_as_it_is
from collector.store.errors import JournalDamaged, JournalStalled, translated
from collector.store.files import aside_name, companion, put_in_place, remove, remove_left_over
from collector.store.journal import Journal
from collector.store.repair.salvage import Salvaged, salvage

_WHOLE_CHECK_BYTES = 48 * 1024 * 1024
"""Up to this size every page is looked at (a second or two on a small board), beyond it all but the readings."""


class DamageReport(NamedTuple):
    """What happened, for the log, the events and `status`."""

    reason: str
    aside: Path
    salvaged: Salvaged

    def __str__(self) -> str:
        return f"{self.reason}; kept as {self.aside.name}; salvaged {self.salvaged}"


class Opened(NamedTuple):
    journal: Journal
    damage: DamageReport | None


def open_journal(path: Path, time_zone: str, now_ms: int) -> Opened:
    """Open the journal, new or old; where it is damaged, set it aside and open what could be salvaged.

    Raises JournalStalled where there is no room for that (the damaged file then still stands in its place), StoreError
    for a file that is not ours or newer.
    """
    try:
        check(path)
        return Opened(Journal(path, time_zone, now_ms), None)
    except JournalDamaged as damage:
        report = set_aside(path, time_zone, now_ms, damage.reason)
    return Opened(Journal(path, time_zone, now_ms), report)


def check(path: Path) -> None:
    """Raise JournalDamaged where the file cannot be relied on. One missing or empty (killed while made) is fine."""
    if not path.exists() or path.stat().st_size == 0:
        return
    # For writing, so that a WAL left by a crash is played in first.
    with translated(path), closing(open_as_it_is(path, "mode=rw")) as db:
        if not known_as_ours(db, path):
            return
        if path.stat().st_size <= _WHOLE_CHECK_BYTES:
            verdicts = db.execute("PRAGMA quick_check(1)").fetchall()
        else:
            verdicts = _check_all_but_readings(db)
    bad = next((text for (text,) in verdicts if text != "ok"), None)
    if bad is not None:
        raise JournalDamaged(path, f"the database is damaged ({' '.join(str(bad).split())})")


def _check_all_but_readings(db: sqlite3.Connection) -> list[tuple[str]]:
    verdicts: list[tuple[str]] = []
    for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name <> 'readings'").fetchall():
        verdicts += db.execute(f'PRAGMA quick_check("{name}")').fetchall()
    for direction in ("ASC", "DESC"):
        db.execute(f"SELECT id, value, flag, raw, why FROM readings ORDER BY id {direction} LIMIT 1000").fetchall()  # noqa: S608
    return verdicts


def set_aside(path: Path, time_zone: str, now_ms: int, reason: str) -> DamageReport:
    """Salvage what can be read of the closed database at `path` into a new one, and keep the damaged one beside it.

    Also for damage that shows only later, when a commit raises JournalDamaged: `open_journal` looks at a large file
    only in part and might find nothing.
    """
    fresh = companion(path, ".salvage")
    remove(fresh)
    try:
        with translated(fresh):
            salvaged = salvage(path, fresh, time_zone, now_ms)
        aside = aside_name(path, "damaged", now_ms)
        put_in_place(fresh, path, aside)
    except OSError as error:
        raise JournalStalled(path, f"cannot be set aside: {error.strerror}") from error
    finally:
        remove_left_over(fresh)
    return DamageReport(reason, aside, salvaged)
