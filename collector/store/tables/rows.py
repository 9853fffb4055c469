"""SQL by the names of its columns: queries that name each, and rows that are read by name.

Every table has one mapper each way, from a value to its row and from a row to its value. Readings alone, of which there
are millions, pass as tuples; the order of these stands once, in `store/reading.py`.
"""

import sqlite3
from collections.abc import Iterator, Mapping, Sequence


def insert(table: str, columns: Sequence[str], verb: str = "INSERT", on_conflict: str = "") -> str:
    """The query that puts a row, given as a mapping of its columns, into a table. All of it is our own names."""
    values = ", ".join(f":{column}" for column in columns)
    return f"{verb} INTO {table}({', '.join(columns)}) VALUES({values}) {on_conflict}".rstrip()


def select(
    db: sqlite3.Connection, query: str, values: Sequence[object] | Mapping[str, object] = ()
) -> Iterator[sqlite3.Row]:
    """Rows by the names of their columns."""
    cursor = db.execute(query, values)
    cursor.row_factory = sqlite3.Row
    return cursor


def select_one(
    db: sqlite3.Connection, query: str, values: Sequence[object] | Mapping[str, object] = ()
) -> sqlite3.Row | None:
    """The row of a query that gives one at most, by the names of its columns; None where there is none."""
    found = list(select(db, query, values))  # to the end, or the statement would still be at work when it commits
    return found[0] if found else None
