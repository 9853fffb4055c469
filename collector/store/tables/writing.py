"""How each part of a batch goes into its table. All of it runs inside the one transaction of `Journal.commit`."""

import sqlite3
from collections.abc import Iterable, Mapping

from collector.store import outbox
from collector.store.batch import REJECTED_KEPT, Batch, ReadingRow, ReplyRow
from collector.store.migrations import SERIES_BITS
from collector.store.requests import Reply, reply_text
from collector.store.tables import alarm_rows, diary, notices, oddity_rows
from collector.store.tables.rows import insert
from collector.store.tables.text import clean
from collector.store.vocabulary import Counter, MetaKey

ARRIVALS_KEPT = 8192
EVENTS_KEPT = 5_000

# DO NOTHING rather than OR IGNORE: it lets only a key already there pass, not a row that breaks another constraint.
# By position, in the order of ReadingRow: nothing is converted on the way of millions of rows.
_READING = (
    f"INSERT INTO readings(id, value, flag, raw, why) VALUES((?1 << {SERIES_BITS}) | ?2, ?3, ?4, ?5, ?6) "
    "ON CONFLICT DO NOTHING"
)
_COUNT = insert(
    "counters", ("name", "value"), on_conflict="ON CONFLICT(name) DO UPDATE SET value = value + excluded.value"
)
_ARRIVAL = insert("arrivals", ("slot", "seq", "mid", "digest"), "INSERT OR REPLACE")
_EVENT = insert("events", ("t_ms", "kind", "detail"), on_conflict="ON CONFLICT DO NOTHING")
_EVENTS_BOUND = "DELETE FROM events WHERE id <= (SELECT max(id) FROM events) - ?"
_META = insert("meta", ("name", "value"), "INSERT OR REPLACE")
_UPLINK_DUE = "INSERT INTO uplink_due(kind, id, n) VALUES('reading', :id, 1) ON CONFLICT DO NOTHING"
_REQUEST_DONE = "UPDATE requests SET done_ms = :done_ms, result = :result WHERE id = :id AND done_ms IS NULL"


def readings(db: sqlite3.Connection, rows: list[ReadingRow]) -> int:
    """Store the readings whose key is not there yet; returns how many that were."""
    before = db.total_changes
    db.executemany(_READING, rows)
    stored = db.total_changes - before
    _tell_uplink(db, rows)
    return stored


def _tell_uplink(db: sqlite3.Connection, rows: list[ReadingRow]) -> None:
    """Readings that come in behind what the uplink has sent already go on its list."""
    found = db.execute("SELECT position FROM uplink").fetchone()
    if found is not None:
        keys = ((row[0] << SERIES_BITS) | row[1] for row in rows)
        db.executemany(_UPLINK_DUE, ({"id": key} for key in keys if key <= found[0]))


def the_rest(db: sqlite3.Connection, batch: Batch, next_arrival: int, now_ms: int) -> None:
    """Everything but the readings and the counts."""
    if batch.states:
        alarm_rows.write_states(db, batch.states.values())
    if batch.transitions:
        alarm_rows.write_changes(db, batch.transitions)
    if batch.messages:
        outbox.write(db, batch.messages, now_ms)
    if batch.unplaced:
        oddity_rows.write_unplaced(db, batch.unplaced)
    if batch.rejected:
        oddity_rows.write_rejected(db, batch.rejected[-REJECTED_KEPT:])
    if batch.arrivals:
        _arrivals(db, batch.arrivals, next_arrival)
    if batch.events:
        rows = ({"t_ms": t_ms, "kind": kind, "detail": clean(detail)} for t_ms, kind, detail in batch.events)
        db.executemany(_EVENT, rows)
        db.execute(_EVENTS_BOUND, (EVENTS_KEPT,))
    if batch.meta:
        keep_meta(db, batch.meta)
    if batch.replies:
        db.executemany(_REQUEST_DONE, map(_reply_row, batch.replies))
    notices.write(db, batch.notices.values())
    diary.write_entries(db, batch.diary.values())
    diary.write_brews(db, batch.brews.values())


def counts(db: sqlite3.Connection, changes: Mapping[Counter, int]) -> None:
    """Add to the counters; zeros cost nothing."""
    for name, by in changes.items():
        if by:
            db.execute(_COUNT, {"name": name, "value": by})


def keep_meta(db: sqlite3.Connection, values: Mapping[MetaKey, str]) -> None:
    """Keep these in place of what stood there before."""
    db.executemany(_META, ({"name": name, "value": value} for name, value in values.items()))


def _arrivals(db: sqlite3.Connection, arrivals: Iterable[tuple[int, bytes]], first: int) -> None:
    newest = list(enumerate(arrivals, start=first))[-ARRIVALS_KEPT:]
    rows = ({"slot": n % ARRIVALS_KEPT, "seq": n, "mid": mid, "digest": digest} for n, (mid, digest) in newest)
    db.executemany(_ARRIVAL, rows)


def _reply_row(row: ReplyRow) -> dict[str, object]:
    reply = Reply(row.reply.done, clean(row.reply.words))
    return {"id": row.id, "done_ms": row.done_ms, "result": reply_text(reply)}
