"""Deleting what was settled long ago: messages, notices, answered requests. The history of alarms is kept for good."""

import sqlite3

from collector.store.connection import transaction

_DAY_MS = 86_400_000
MESSAGES_DAYS = 400
"""A year and the weeks around it: last year's messages can be looked up beside this year's."""
REQUESTS_DAYS = 90
_STEP_ROWS = 2_000
_OLD = (
    (
        """DELETE FROM outbox WHERE id IN (
            SELECT id FROM outbox WHERE state IN ('sent', 'failed', 'unconfirmed')
                AND coalesce(settled_ms, created_ms) < ?1 LIMIT ?2)""",
        MESSAGES_DAYS,
    ),
    # Whoever was told of an alarm that still stands must hear of its end.
    (
        """DELETE FROM notices WHERE (role, rule, series, occurrence_ms, event, why, t_ms) IN (
            SELECT role, n.rule, n.series, occurrence_ms, event, why, t_ms FROM notices n
            LEFT JOIN alarm_states s ON s.rule = n.rule AND s.series = n.series
                AND s.raised_ms = occurrence_ms AND s.state <> 'normal'
            WHERE settled_ms < ?1 AND fate NOT IN ('waiting', 'digest') AND s.rule IS NULL LIMIT ?2)""",
        MESSAGES_DAYS,
    ),
    ("DELETE FROM requests WHERE id IN (SELECT id FROM requests WHERE done_ms < ?1 LIMIT ?2)", REQUESTS_DAYS),
)


def prune(db: sqlite3.Connection, now_ms: int) -> bool:
    """Delete a bounded number of old rows of each kind; returns whether more remain."""
    more = False
    for query, days in _OLD:
        with transaction(db):
            deleted = db.execute(query, (now_ms - days * _DAY_MS, _STEP_ROWS)).rowcount
        more = more or deleted == _STEP_ROWS
    return more
