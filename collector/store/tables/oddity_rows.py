"""What nobody claims or can read, in its tables: `unplaced` and `rejected`. Each keeps the newest of it."""

import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from collector.store.batch import REJECTED_KEPT, UNPLACED_KEPT, RejectedRow, Unplaced
from collector.store.tables.rows import insert, select
from collector.store.tables.text import clean

_SAMPLE_BYTES = 200
_FIRST_BYTES = 64
_TEXT_KEPT = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Stranger:
    """Messages from a probe the lab file does not know."""

    topic: str
    name: str
    first_ms: int
    last_ms: int
    count: int
    sample: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class RejectedMessage:
    """A message that could not be read, as the journal keeps it."""

    id: int
    t_ms: int
    topic: str
    reason: str
    first_bytes: bytes


_OF_STRANGER = ("topic", "name", "first_ms", "last_ms", "count", "sample")
_WRITE_UNPLACED = insert(
    "unplaced",
    _OF_STRANGER,
    on_conflict="""ON CONFLICT DO UPDATE SET count = count + excluded.count,
        first_ms = min(first_ms, excluded.first_ms), last_ms = max(last_ms, excluded.last_ms),
        sample = excluded.sample""",
)
_BOUND_UNPLACED = """
    DELETE FROM unplaced WHERE (topic, name) IN
        (SELECT topic, name FROM unplaced ORDER BY last_ms DESC, topic, name LIMIT -1 OFFSET ?)"""
_UNPLACED = f"SELECT {', '.join(_OF_STRANGER)} FROM unplaced ORDER BY last_ms DESC, topic, name"  # noqa: S608 - own names
_WRITE_REJECTED = insert("rejected", ("t_ms", "topic", "reason", "first_bytes"))
_BOUND_REJECTED = "DELETE FROM rejected WHERE id <= (SELECT max(id) FROM rejected) - ?"
_REJECTED = "SELECT id, t_ms, topic, reason, first_bytes FROM rejected ORDER BY id DESC LIMIT ?"


def write_unplaced(db: sqlite3.Connection, found: Mapping[tuple[str, str], Unplaced]) -> None:
    """By (topic, name): new ones, and more of those known."""
    db.executemany(_WRITE_UNPLACED, (_stranger_row(*key, what) for key, what in found.items()))
    db.execute(_BOUND_UNPLACED, (UNPLACED_KEPT,))


def write_rejected(db: sqlite3.Connection, found: Iterable[RejectedRow]) -> None:
    """In the order they came."""
    db.executemany(_WRITE_REJECTED, map(_rejected_row, found))
    db.execute(_BOUND_REJECTED, (REJECTED_KEPT,))


def unplaced(db: sqlite3.Connection) -> list[Stranger]:
    """What unknown probes sent, the most recent first."""
    return [Stranger(**row) for row in select(db, _UNPLACED)]


def rejected(db: sqlite3.Connection, at_most: int) -> list[RejectedMessage]:
    """The last messages that could not be read, newest first."""
    return [RejectedMessage(**row) for row in select(db, _REJECTED, (at_most,))]


def _stranger_row(topic: str, name: str, what: Unplaced) -> dict[str, object]:
    return {
        "topic": clean(topic)[:_TEXT_KEPT],
        "name": clean(name)[:_TEXT_KEPT],
        "first_ms": what.first_ms,
        "last_ms": what.last_ms,
        "count": what.count,
        "sample": what.sample[:_SAMPLE_BYTES],
    }


def _rejected_row(row: RejectedRow) -> dict[str, object]:
    return {
        "t_ms": row.t_ms,
        "topic": clean(row.topic)[:_TEXT_KEPT],
        "reason": clean(row.reason)[:_TEXT_KEPT],
        "first_bytes": row.first_bytes[:_FIRST_BYTES],
    }
