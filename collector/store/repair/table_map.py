"""Which page each table of the journal begins at, and what stands in its rows: a small file beside the database.

The database says so itself, on its first pages. Where these are lost, the map is what `carve` finds the tables by.
"""

import json
import os
import sqlite3
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from collector.store.files import MAP_SUFFIX, companion
from collector.store.repair.carve import Carved, Value


@dataclass(frozen=True, slots=True, kw_only=True)
class TableMap:
    """One table."""

    name: str
    root: int
    """Number of the page its tree begins at."""
    rowid: str
    """The column that is the row's number and not stored among its values; empty: none is."""
    stored: tuple[str, ...]
    """The columns as they stand in a row, in that order."""

    def named(self, row: Carved) -> dict[str, Value]:
        """The values of a row by their columns. One written before a column was added has none for it."""
        values = dict(zip(self.stored, row.values, strict=False))
        if self.rowid and row.rowid is not None:
            values[self.rowid] = row.rowid
        return values


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalMap:
    """All tables of one database."""

    page_size: int
    tables: tuple[TableMap, ...]


def map_of(db: sqlite3.Connection) -> JournalMap:
    """Raises sqlite3.Error where the database cannot say."""
    names = db.execute(
        "SELECT name, rootpage, sql FROM sqlite_master WHERE type = 'table' AND rootpage > 0 ORDER BY name"
    ).fetchall()
    (page_size,) = db.execute("PRAGMA page_size").fetchone()
    return JournalMap(page_size=page_size, tables=tuple(_table(db, *row) for row in names))


def _table(db: sqlite3.Connection, name: str, root: int, sql: str) -> TableMap:
    # (cid, name, type, not null, default, place in the key, hidden); 2 is a computed column that is not stored.
    columns = [row for row in db.execute(f'PRAGMA table_xinfo("{name}")') if row[6] != 2]
    names = tuple(row[1] for row in columns)
    key = [row[1] for row in sorted(columns, key=lambda row: row[5]) if row[5]]
    if sql.upper().rstrip().endswith("WITHOUT ROWID"):
        return TableMap(
            name=name, root=root, rowid="", stored=(*key, *(column for column in names if column not in key))
        )
    types = {row[1]: row[2].upper() for row in columns}
    rowid = key[0] if len(key) == 1 and types[key[0]] == "INTEGER" else ""
    return TableMap(name=name, root=root, rowid=rowid, stored=names)


def keep_map(db: sqlite3.Connection, path: Path) -> None:
    """Write the map of the database at `path` beside it, where it is not there already as it should be.

    Raises OSError where it cannot be written, sqlite3.Error as `map_of`."""
    text = json.dumps(asdict(map_of(db)))
    beside = companion(path, MAP_SUFFIX)
    try:
        if beside.read_text(encoding="utf-8") == text:
            return
    except (OSError, UnicodeDecodeError):
        pass
    fresh = companion(path, f"{MAP_SUFFIX}.new")
    with fresh.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(beside)


def kept_map(path: Path) -> JournalMap | None:
    """The map that stands beside the database at `path`; None where there is none that can be used."""
    try:
        found: dict[str, Any] = json.loads(companion(path, MAP_SUFFIX).read_text(encoding="utf-8"))
        tables = (TableMap(**{**table, "stored": tuple(table["stored"])}) for table in found["tables"])
        return JournalMap(page_size=int(found["page_size"]), tables=tuple(tables))
    except (OSError, ValueError, TypeError, KeyError):
        return None
