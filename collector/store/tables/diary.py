"""The diary and the brews in their tables: read by the collector and by read-only connections, written with a batch."""

import sqlite3
from collections.abc import Iterable
from dataclasses import asdict, fields

from collector.domain.diary import Brew, DiaryEntry, DiaryKind, Feel
from collector.store.tables.rows import insert, select

# Both tables have a column for each field, by the same name.
_OF_ENTRY = tuple(field.name for field in fields(DiaryEntry))
_OF_BREW = tuple(field.name for field in fields(Brew))
_ENTRIES = f"SELECT {', '.join(_OF_ENTRY)} FROM diary WHERE t_ms >= ? ORDER BY t_ms, id"  # noqa: S608 - own names
_BREWS = f"SELECT {', '.join(_OF_BREW)} FROM brews ORDER BY started_ms, id"  # noqa: S608 - own names
_WRITE_ENTRY = insert("diary", _OF_ENTRY, "INSERT OR REPLACE")
_WRITE_BREW = insert("brews", _OF_BREW, "INSERT OR REPLACE")
_ALL = -(2**63)


def entries(db: sqlite3.Connection, since_ms: int | None = None) -> list[DiaryEntry]:
    """What was done since then, struck entries included, in the order of its times."""
    return [_entry(row) for row in select(db, _ENTRIES, (_ALL if since_ms is None else since_ms,))]


def brews(db: sqlite3.Connection) -> list[Brew]:
    """Every brew, struck ones included, in the order of their starts."""
    return [Brew(**row) for row in select(db, _BREWS)]


def write_entries(db: sqlite3.Connection, found: Iterable[DiaryEntry]) -> None:
    """New entries, and changed ones in place of what they were."""
    db.executemany(_WRITE_ENTRY, map(asdict, found))


def write_brews(db: sqlite3.Connection, found: Iterable[Brew]) -> None:
    """New brews, and changed ones in place of what they were."""
    db.executemany(_WRITE_BREW, map(asdict, found))


def _entry(row: sqlite3.Row) -> DiaryEntry:
    result = None if row["result"] is None else Feel(row["result"])
    return DiaryEntry(**{**row, "kind": DiaryKind(row["kind"]), "result": result})
