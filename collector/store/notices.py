"""The table of notices: what each person is still to hear, and has heard."""

import sqlite3
from collections.abc import Iterable
from typing import Any

import msgspec

from collector.alarms.model import Transition
from collector.telling.notice import Fate, Notice, NoticeKey

_WRITE = """
    INSERT INTO notices VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
    ON CONFLICT DO UPDATE SET due_ms = excluded.due_ms, fate = excluded.fate, settled_ms = excluded.settled_ms,
        message = excluded.message"""
_OPEN = """
    SELECT * FROM notices WHERE fate IN ('waiting', 'digest')
    UNION SELECT * FROM notices WHERE settled_ms >= ?1
    UNION SELECT n.* FROM notices n JOIN alarm_states s
        ON s.rule = n.rule AND s.series = n.series AND s.raised_ms = n.occurrence_ms
        WHERE s.state IN ('unacknowledged', 'acknowledged', 'returned-unacknowledged', 'suppressed')
    UNION SELECT n.* FROM notices w JOIN notices n
        ON n.role = w.role AND n.rule = w.rule AND n.series = w.series AND n.occurrence_ms = w.occurrence_ms
        WHERE w.fate IN ('waiting', 'digest')
    ORDER BY made_ms, role, rule, series, event"""


def write(db: sqlite3.Connection, found: Iterable[Notice]) -> None:
    """New ones, and changed ones as they are now."""
    db.executemany(_WRITE, map(_row, found))


def open_notices(db: sqlite3.Connection, since_ms: int) -> list[Notice]:
    """Those not settled, with what the same person was told of the same occurrence; those settled since then; and all
    of alarms that stand. In the order they arose."""
    return [_notice(row) for row in db.execute(_OPEN, (since_ms,))]


_COLUMNS = (
    "role", "rule", "series", "occurrence_ms", "event", "why", "t_ms",
    "transition", "place", "priority", "made_ms", "due_ms", "fate", "settled_ms", "message",
)  # fmt: skip
_KEY_COLUMNS = _COLUMNS[:7]


def _row(notice: Notice) -> tuple[object, ...]:
    transition = msgspec.json.encode(notice.transition).decode()
    told = (notice.fate.value, notice.settled_ms, notice.message)
    key = tuple(getattr(notice.key, name) for name in _KEY_COLUMNS)
    return (*key, transition, notice.place, notice.priority, notice.made_ms, notice.due_ms, *told)


def _notice(row: tuple[Any, ...]) -> Notice:
    named = dict(zip(_COLUMNS, row, strict=True))
    named["key"] = NoticeKey(**{name: named.pop(name) for name in _KEY_COLUMNS})
    named["transition"] = msgspec.json.decode(named["transition"], type=Transition)
    named["fate"] = Fate(named["fate"])
    return Notice(**named)
