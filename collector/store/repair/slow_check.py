"""A slow look over the whole journal while it is in use, so that damage is found before what lies there is needed.

Each step looks at a little, on a connection of its own that only reads: rows of one table in the order of their keys,
which leads over every page of its tree and of its longer rows. A table that is small is then looked at once more by
SQLite's own check, indexes included. The connection is new for each step, since a page that is kept in memory is not
read from the file again.
"""

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from collector.store.connection import open_as_it_is
from collector.store.errors import JournalDamaged, JournalStalled, translated

STEP_ROWS = 400
STEP_BYTES = 128 * 1024
"""A step ends at whichever is met first."""
STEP_EVERY_S = 5.0
"""Two years of 24 channels, a reading each minute (25 million rows), are looked at once in four days; three months of
them in half a day."""
_SMALL_BYTES = 512 * 1024
"""Up to this size SQLite's own check of a table takes no longer than a step."""
_ROW_BYTES = 32
"""What a row takes beside its texts, roughly."""
_BUSY_S = 0.05
TRIES = 12
"""So often, a minute in all, a table is tried that cannot be read, before the next one has its turn."""


WHOLE = "the whole journal"
"""In place of the name of a table, where not even their list can be read."""


@dataclass(slots=True, kw_only=True)
class _Table:
    """One table, and how far it was looked at."""

    name: str
    key: tuple[str, ...]
    last: tuple[object, ...] | None = None
    seen_bytes: int = 0
    walked: bool = False

    def query(self) -> str:
        """The rows that come next, each with its key first. Values: those of `last`."""
        names, marks = ", ".join(self.key), ", ".join("?" * len(self.key))
        after = f" WHERE ({names}) > ({marks})" if self.last is not None else ""
        return f'SELECT {names}, * FROM "{self.name}"{after} ORDER BY {names} LIMIT {STEP_ROWS}'  # noqa: S608 - own names


class SlowCheck:
    """Of the journal at `path`. Used by one thread at a time."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._to_do: list[_Table] = []
        self._tried = 0
        self.rounds = 0
        """How often all of it was looked at."""
        self.unread: set[str] = set()
        """What could not be read when it was last tried: tables by name, or the whole."""

    def step(self) -> None:
        """Look at the next piece; after the last one it begins again. Raises JournalDamaged where it finds damage,
        JournalStalled where it cannot read; after some tries in vain the next table has its turn."""
        try:
            left = self._look()
        except JournalStalled:
            self._tried += 1
            if self._tried >= TRIES:
                self.unread.add(self._to_do[0].name if self._to_do else WHOLE)
                self._next()
            raise
        self._tried = 0
        self.unread.discard(WHOLE)
        if not left:
            self.unread.discard(self._to_do[0].name)
            self._next()
            self.rounds += not self._to_do

    def _next(self) -> None:
        self._tried = 0
        del self._to_do[:1]

    def _look(self) -> bool:
        """Whether there is more to do of the table whose turn it is."""
        with translated(self._path), closing(open_as_it_is(self._path, "mode=ro", _BUSY_S)) as db:
            db.text_factory = bytes  # a damaged text need not be UTF-8
            db.execute("PRAGMA cell_size_check=ON")
            self._to_do = self._to_do or _tables(db)
            table = self._to_do[0]
            return self._by_sqlite(db, table) if table.walked else self._walk(db, table)

    def _walk(self, db: sqlite3.Connection, table: _Table) -> bool:
        """Whether there is more to do of this table."""
        until_bytes, rows = table.seen_bytes + STEP_BYTES, 0
        for row in db.execute(table.query(), table.last or ()):
            key, rows = row[: len(table.key)], rows + 1
            if table.last is not None and not _follows(key, table.last):
                raise JournalDamaged(self._path, f"the database is damaged (rows of {table.name} in disorder)")
            table.last = key
            table.seen_bytes += _ROW_BYTES + sum(len(value) for value in row if isinstance(value, bytes))
            if table.seen_bytes >= until_bytes:
                return True
        table.walked = rows < STEP_ROWS
        return not table.walked or table.seen_bytes <= _SMALL_BYTES

    def _by_sqlite(self, db: sqlite3.Connection, table: _Table) -> bool:
        for (verdict,) in db.execute(f'PRAGMA quick_check("{table.name}")').fetchall():
            if verdict != b"ok":
                says = " ".join(verdict.decode(errors="replace").split())
                raise JournalDamaged(self._path, f"the database is damaged ({says:.200})")
        return False


def _tables(db: sqlite3.Connection) -> list[_Table]:
    """All that hold rows, each with the columns its rows are ordered by."""
    found = db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table' AND rootpage > 0").fetchall()
    return [_table(db, name.decode(errors="replace"), sql or b"") for name, sql in found]


def _table(db: sqlite3.Connection, name: str, sql: bytes) -> _Table:
    if not sql.upper().rstrip().endswith(b"WITHOUT ROWID"):
        return _Table(name=name, key=("rowid",))
    columns = db.execute(f'PRAGMA table_info("{name}")').fetchall()
    return _Table(name=name, key=tuple(row[1].decode() for row in sorted(columns, key=lambda row: row[5]) if row[5]))


def _follows(key: tuple[object, ...], last: tuple[object, ...]) -> bool:
    """Columns are STRICT and none of a key is empty, so values of one column compare; in a damaged one they may not."""
    try:
        return key > last
    except TypeError:
        return False
