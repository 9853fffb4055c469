"""How each recipient fares: counts by state, last delivery, last trouble; and the messages that were given up."""

import sqlite3
from dataclasses import dataclass

from collector.store.tables.rows import select

REPORTS = "dead-"
"""How the keys of messages about failed messages begin."""
_EACH = """
    SELECT channel, recipient, sum(state IN ('waiting', 'sending')) AS waiting, sum(state = 'sent') AS sent,
        sum(state = 'failed') AS failed, sum(state = 'unconfirmed') AS unconfirmed,
        max(CASE state WHEN 'sent' THEN settled_ms END) AS delivered_ms
    FROM outbox GROUP BY channel, recipient ORDER BY channel, recipient"""
_ERRORS = """
    SELECT channel, recipient, last_error, max(id) FROM outbox WHERE last_error <> '' AND state <> 'sent'
    GROUP BY channel, recipient"""
_FAILED = f"""
    SELECT id, channel, recipient, priority, subject, last_error AS error, created_ms,
        settled_ms AS failed_ms, state = 'unconfirmed' AS unconfirmed FROM outbox
    WHERE state IN ('failed', 'unconfirmed') AND settled_ms >= ? AND key NOT LIKE '{REPORTS}%'
    ORDER BY id"""  # noqa: S608 - a constant


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipient:
    """One way to reach somebody."""

    channel: str
    recipient: str
    waiting: int
    sent: int
    failed: int
    unconfirmed: int
    delivered_ms: int | None
    """When the last message was taken; None: none was."""
    last_error: str
    """Of the newest message that waits, failed or is unconfirmed; empty: nothing went wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FailedMessage:
    """A message that was given up, or of which nobody can tell whether it arrived: as good as not told."""

    id: int
    channel: str
    recipient: str
    priority: str
    subject: str
    error: str
    created_ms: int
    failed_ms: int
    unconfirmed: bool
    """It may have arrived."""


def recipients(db: sqlite3.Connection) -> list[Recipient]:
    """Everyone the outbox knows, by channel and address."""
    errors = {(row["channel"], row["recipient"]): row["last_error"] for row in select(db, _ERRORS)}
    return [
        Recipient(**row, last_error=errors.get((row["channel"], row["recipient"]), "")) for row in select(db, _EACH)
    ]


def failed(db: sqlite3.Connection, since_ms: int) -> list[FailedMessage]:
    """What was given up or left unconfirmed since then, oldest first, without reports of such failures."""
    rows = ({**row, "unconfirmed": bool(row["unconfirmed"])} for row in select(db, _FAILED, (since_ms,)))
    return [FailedMessage(**row) for row in rows]
