"""The outbox as the sending thread sees it: its own connection, each step its own short transaction.

waiting -> sending -> sent, or back to waiting for another try, or failed. A message found in `sending` when the outbox
is opened was handed over, or not, just as the program died: it becomes `unconfirmed` and is not sent again by itself,
for nobody is to be told twice.
"""

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from collector.store.batch import NewMessage
from collector.store.connection import Connected, open_existing, transaction
from collector.store.errors import translated
from collector.store.migrations import refuse_other
from collector.store.tables.rows import insert, select_one
from collector.store.tables.text import clean

_BUSY_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxMessage:
    """A message to hand over. `attempts` counts the tries so far."""

    id: int
    key: str
    recipient: str
    channel: str
    priority: str
    subject: str
    body: str
    created_ms: int
    attempts: int
    last_error: str
    html: str = ""
    parents: tuple[str, ...] = ()
    """Keys of the messages it answers."""
    picture: str = ""


_LONGEST_WAIT_MS = 2 * 3_600_000
"""No try is put off longer. What seems due later was written before the clock was set back, and is due now."""
_NEXT = """
    SELECT id, key, recipient, channel, priority, subject, body, created_ms, attempts, last_error,
           html, parents, picture FROM outbox
    WHERE state = 'waiting' AND (next_ms <= ?1 OR next_ms > ?2) AND (?3 IS NULL OR (channel = 'chat') = ?3)
    ORDER BY CASE priority WHEN 'high' THEN 0 WHEN 'medium' THEN 1 ELSE 2 END, created_ms, id LIMIT 1"""
_DUE = "SELECT min(next_ms) FROM outbox WHERE state = 'waiting' AND (?1 IS NULL OR (channel = 'chat') = ?1)"
_OTHERS_WAIT = """
    UPDATE outbox SET next_ms = ?2 WHERE state = 'waiting' AND next_ms < ?2
        AND (channel, recipient) = (SELECT channel, recipient FROM outbox WHERE id = ?1)"""


_WRITE = insert(
    "outbox",
    (
        *("key", "recipient", "channel", "priority", "subject", "body", "created_ms", "next_ms"),
        *("html", "parents", "picture", "state", "attempts", "last_error"),
    ),
    on_conflict="ON CONFLICT DO NOTHING",
)


def write(db: sqlite3.Connection, found: Iterable[NewMessage], now_ms: int) -> None:
    """New messages, due now. What has the key of one that stands there already is told already."""
    db.executemany(_WRITE, (_row(message, now_ms) for message in found))


def _row(message: NewMessage, now_ms: int) -> dict[str, object]:
    return {
        "key": message.key,
        "recipient": message.recipient,
        "channel": message.channel,
        "priority": message.priority,
        "subject": clean(message.subject),
        "body": clean(message.body),
        "created_ms": message.created_ms,
        "next_ms": now_ms,
        "html": clean(message.html),
        "parents": " ".join(message.parents),
        "picture": message.picture,
        "state": "waiting",
        "attempts": 0,
        "last_error": "",
    }


def _message(row: sqlite3.Row) -> OutboxMessage:
    return OutboxMessage(**{**row, "parents": tuple(row["parents"].split())})


class OutboxStore(Connected):
    """One connection for all sending threads, which take turns.

    Waits up to 10 s for a locked database; then, and on a full or read-only disk, raises JournalStalled. The database
    must be there, in this program's form: the collector has opened it before.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.unconfirmed_at_open = 0
        self._turn = Lock()
        with translated(path):
            self._db = open_existing(path, _BUSY_S)
        try:
            with self._work() as db:
                refuse_other(db, path)
                self._settle_unknown(db)
        except BaseException:
            self._db.close()
            raise

    def _settle_unknown(self, db: sqlite3.Connection) -> None:
        """What was being sent is unconfirmed; what waited for another try is tried at once: a person may have started
        the program anew because the mail works again."""
        if db.execute("SELECT 1 FROM outbox WHERE state = 'waiting' AND next_ms > created_ms LIMIT 1").fetchone():
            with transaction(db):
                db.execute("UPDATE outbox SET next_ms = created_ms WHERE state = 'waiting' AND next_ms > created_ms")
        if db.execute("SELECT 1 FROM outbox WHERE state = 'sending' LIMIT 1").fetchone() is None:
            return
        with transaction(db):
            self.unconfirmed_at_open = db.execute(
                "UPDATE outbox SET state = 'unconfirmed', last_error = 'the program stopped while it was being sent'"
                " WHERE state = 'sending'"
            ).rowcount

    @contextmanager
    def _work(self) -> Iterator[sqlite3.Connection]:
        with translated(self.path), self._turn:
            yield self._db

    def take_next(self, now_ms: int, chat: bool | None = None) -> OutboxMessage | None:
        """The oldest due message of the highest priority; None where nothing is due. `chat`: only chat messages, or
        only others."""
        with self._work() as db:
            row = select_one(db, _NEXT, (now_ms, now_ms + _LONGEST_WAIT_MS, chat))
        return None if row is None else _message(row)

    def next_due_ms(self, chat: bool | None = None) -> int | None:
        """When the next waiting message is due, None where none waits."""
        with self._work() as db:
            due: int | None = db.execute(_DUE, (chat,)).fetchone()[0]
        return due

    def mark_sending(self, number: int) -> None:
        """Before it is handed over: from here on a crash leaves it unconfirmed."""
        self._update("state = 'sending', attempts = attempts + 1", (), number)

    def mark_sent(self, number: int, now_ms: int) -> None:
        self._update("state = 'sent', settled_ms = ?, last_error = ''", (now_ms,), number)

    def mark_waiting(self, number: int, next_ms: int, error: str, others: bool = False) -> None:
        """It surely did not go out; try again at `next_ms`. `others`: what else waits for this recipient no sooner."""
        with self._work() as db, transaction(db):
            query = "UPDATE outbox SET state = 'waiting', next_ms = ?, last_error = ? WHERE id = ?"
            db.execute(query, (next_ms, error, number))
            if others:
                db.execute(_OTHERS_WAIT, (number, next_ms))

    def mark_failed(self, number: int, now_ms: int, error: str) -> None:
        """Given up."""
        self._update("state = 'failed', settled_ms = ?, last_error = ?", (now_ms, error), number)

    def mark_unconfirmed(self, number: int, now_ms: int, error: str) -> None:
        """It may have gone out, and nobody can tell."""
        self._update("state = 'unconfirmed', settled_ms = ?, last_error = ?", (now_ms, error), number)

    def _update(self, changes: str, values: tuple[object, ...], number: int) -> None:
        query = f"UPDATE outbox SET {changes} WHERE id = ?"  # noqa: S608 - `changes` are the constants above
        with self._work() as db, transaction(db):
            db.execute(query, (*values, number))
