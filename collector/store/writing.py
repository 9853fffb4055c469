"""How each part of a batch goes into its table. All of it runs inside the one transaction of `Journal.commit`."""

import sqlite3
from collections.abc import Mapping

from collector.alarms.model import AlarmKey, AlarmState
from collector.store import diary, notices
from collector.store.batch import (
    REJECTED_KEPT,
    UNPLACED_KEPT,
    Batch,
    HistoryRow,
    NewMessage,
    RejectedRow,
    ReplyRow,
    Row,
    Unplaced,
)
from collector.store.migrations import SERIES_BITS
from collector.store.requests import Reply, reply_text
from collector.store.vocabulary import Counter

ARRIVALS_KEPT = 1024
EVENTS_KEPT = 5_000
_SAMPLE_BYTES = 200
_FIRST_BYTES = 64
_TEXT_KEPT = 500

# DO NOTHING rather than OR IGNORE: it lets only a key already there pass, not a row that breaks another constraint.
_READING = (
    f"INSERT INTO readings(id, value, flag, raw, why) VALUES((?1 << {SERIES_BITS}) | ?2, ?3, ?4, ?5, ?6) "
    "ON CONFLICT DO NOTHING"
)
_STATE = "INSERT OR REPLACE INTO alarm_states VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
_HISTORY = """
    INSERT INTO alarm_history(rule, series, place, measure, priority, event, before, after, t_ms, since_ms, raised_ms,
                              value, worst, by, noticed_ms, note, until_ms)
    VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"""
_MESSAGE = """
    INSERT INTO outbox(key, recipient, channel, priority, subject, body, created_ms, next_ms, html, parents,
                       picture, state, attempts, last_error)
    VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 'waiting', 0, '') ON CONFLICT DO NOTHING"""
_UNPLACED = """
    INSERT INTO unplaced(topic, name, first_ms, last_ms, count, sample) VALUES(?, ?, ?, ?, ?, ?)
    ON CONFLICT DO UPDATE SET count = count + excluded.count, first_ms = min(first_ms, excluded.first_ms),
        last_ms = max(last_ms, excluded.last_ms), sample = excluded.sample"""
_UNPLACED_BOUND = """
    DELETE FROM unplaced WHERE (topic, name) IN
        (SELECT topic, name FROM unplaced ORDER BY last_ms DESC, topic, name LIMIT -1 OFFSET ?)"""
_REJECTED = "INSERT INTO rejected(t_ms, topic, reason, first_bytes) VALUES(?, ?, ?, ?)"
_REJECTED_BOUND = "DELETE FROM rejected WHERE id <= (SELECT max(id) FROM rejected) - ?"
_COUNT = "INSERT INTO counters(name, value) VALUES(?, ?) ON CONFLICT(name) DO UPDATE SET value = value + excluded.value"
_ARRIVAL = "INSERT OR REPLACE INTO arrivals(slot, seq, mid, digest) VALUES(?, ?, ?, ?)"
_EVENT = "INSERT INTO events(t_ms, kind, detail) VALUES(?, ?, ?) ON CONFLICT DO NOTHING"
_EVENTS_BOUND = "DELETE FROM events WHERE id <= (SELECT max(id) FROM events) - ?"
_META = "INSERT OR REPLACE INTO meta(name, value) VALUES(?, ?)"
_UPLINK_DUE = "INSERT INTO uplink_due VALUES('reading', ?, 1) ON CONFLICT DO NOTHING"
_REQUEST_DONE = "UPDATE requests SET done_ms = :done_ms, result = :result WHERE id = :id AND done_ms IS NULL"


def readings(db: sqlite3.Connection, rows: list[Row]) -> int:
    """Store the readings whose key is not there yet; returns how many that were."""
    before = db.total_changes
    db.executemany(_READING, rows)
    stored = db.total_changes - before
    _tell_uplink(db, rows)
    return stored


def _tell_uplink(db: sqlite3.Connection, rows: list[Row]) -> None:
    """Readings that come in behind what the uplink has sent already go on its list."""
    found = db.execute("SELECT position FROM uplink").fetchone()
    if found is not None:
        keys = ((row[0] << SERIES_BITS) | row[1] for row in rows)
        db.executemany(_UPLINK_DUE, ((key,) for key in keys if key <= found[0]))


def the_rest(db: sqlite3.Connection, batch: Batch, next_arrival: int, now_ms: int) -> None:
    """Everything but the readings and the counts."""
    if batch.states:
        db.executemany(_STATE, (_state_row(key, state) for key, state in batch.states.items()))
    if batch.transitions:
        db.executemany(_HISTORY, map(_history_row, batch.transitions))
    if batch.messages:
        db.executemany(_MESSAGE, (_message_row(message, now_ms) for message in batch.messages))
    if batch.unplaced:
        db.executemany(_UNPLACED, (_unplaced_row(key, what) for key, what in batch.unplaced.items()))
        db.execute(_UNPLACED_BOUND, (UNPLACED_KEPT,))
    if batch.rejected:
        db.executemany(_REJECTED, map(_rejected_row, batch.rejected[-REJECTED_KEPT:]))
        db.execute(_REJECTED_BOUND, (REJECTED_KEPT,))
    if batch.arrivals:
        _arrivals(db, batch.arrivals, next_arrival)
    if batch.events:
        db.executemany(_EVENT, ((t_ms, kind, clean(detail)) for t_ms, kind, detail in batch.events))
        db.execute(_EVENTS_BOUND, (EVENTS_KEPT,))
    if batch.meta:
        db.executemany(_META, batch.meta.items())
    if batch.replies:
        db.executemany(_REQUEST_DONE, map(_reply_row, batch.replies))
    notices.write(db, batch.notices.values())
    diary.write_entries(db, batch.diary.values())
    diary.write_brews(db, batch.brews.values())


def counts(db: sqlite3.Connection, changes: Mapping[Counter, int]) -> None:
    """Add to the counters; zeros cost nothing."""
    for name, by in changes.items():
        if by:
            db.execute(_COUNT, (name, by))


def _arrivals(db: sqlite3.Connection, arrivals: list[tuple[int, bytes]], first: int) -> None:
    newest = list(enumerate(arrivals, start=first))[-ARRIVALS_KEPT:]
    db.executemany(_ARRIVAL, ((seq % ARRIVALS_KEPT, seq, mid, digest) for seq, (mid, digest) in newest))


def _state_row(key: AlarmKey, state: AlarmState) -> tuple[object, ...]:
    return (
        key.rule,
        key.series,
        state.state.value,
        int(state.active),
        state.deadline_ms,
        state.since_ms,
        state.raised_ms,
        state.changed_ms,
        state.worst,
        state.acked_ms,
        state.shelved_until_ms,
        clean(state.shelved_by),
        clean(state.reason),
        clean(state.out_by),
        state.cause,
    )


def _history_row(row: HistoryRow) -> tuple[object, ...]:
    change = row.transition
    return (
        change.key.rule,
        change.key.series,
        row.place,
        row.measure,
        row.priority,
        change.event.value,
        change.before.value,
        change.after.value,
        change.t_ms,
        change.since_ms,
        change.raised_ms,
        change.value,
        change.worst,
        clean(change.by),
        row.noticed_ms,
        clean(change.note),
        change.until_ms,
    )


def _message_row(message: NewMessage, now_ms: int) -> tuple[object, ...]:
    return (
        message.key,
        message.recipient,
        message.channel,
        message.priority,
        clean(message.subject),
        clean(message.body),
        message.created_ms,
        now_ms,
        clean(message.html),
        " ".join(message.parents),
        message.picture,
    )


def _unplaced_row(key: tuple[str, str], what: Unplaced) -> tuple[object, ...]:
    topic, name = clean(key[0])[:_TEXT_KEPT], clean(key[1])[:_TEXT_KEPT]
    return topic, name, what.first_ms, what.last_ms, what.count, what.sample[:_SAMPLE_BYTES]


def _rejected_row(row: RejectedRow) -> tuple[object, ...]:
    return row.t_ms, clean(row.topic)[:_TEXT_KEPT], clean(row.reason)[:_TEXT_KEPT], row.first_bytes[:_FIRST_BYTES]


def _reply_row(row: ReplyRow) -> dict[str, object]:
    reply = Reply(row.reply.done, clean(row.reply.words))
    return {"id": row.id, "done_ms": row.done_ms, "result": reply_text(reply)}


def clean(text: str) -> str:
    """Text that SQLite can hold: half characters (lone surrogates), which no UTF-8 has, become '?'."""
    return text if text.isascii() else text.encode("utf-8", "replace").decode("utf-8")
