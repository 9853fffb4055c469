"""The table of notices: what each person is still to hear, and has heard."""

import sqlite3
from collections.abc import Iterable

import msgspec

from collector.alarms.model import Transition
from collector.store.tables.rows import insert, select
from collector.telling.notice import Fate, Notice, NoticeKey

_OF_KEY = ("role", "rule", "series", "occurrence_ms", "event", "why", "t_ms")
_OF_VALUE = ("transition", "place", "priority", "made_ms", "due_ms", "fate", "settled_ms", "message")
_COLUMNS = (*_OF_KEY, *_OF_VALUE)
_WRITE = insert(
    "notices",
    _COLUMNS,
    on_conflict="""ON CONFLICT DO UPDATE SET due_ms = excluded.due_ms, fate = excluded.fate,
        settled_ms = excluded.settled_ms, message = excluded.message""",
)
_NAMES = ", ".join(f"n.{name}" for name in _COLUMNS)
_OPEN = f"""
    SELECT {_NAMES} FROM notices n WHERE fate IN ('waiting', 'digest')
    UNION SELECT {_NAMES} FROM notices n WHERE settled_ms >= ?1
    UNION SELECT {_NAMES} FROM notices n JOIN alarm_states s
        ON s.rule = n.rule AND s.series = n.series AND s.raised_ms = n.occurrence_ms
        WHERE s.state IN ('unacknowledged', 'acknowledged', 'returned-unacknowledged', 'suppressed')
    UNION SELECT {_NAMES} FROM notices w JOIN notices n
        ON n.role = w.role AND n.rule = w.rule AND n.series = w.series AND n.occurrence_ms = w.occurrence_ms
        WHERE w.fate IN ('waiting', 'digest')
    ORDER BY made_ms, role, rule, series, event"""  # noqa: S608 - own names


def write(db: sqlite3.Connection, found: Iterable[Notice]) -> None:
    """New ones, and changed ones as they are now."""
    db.executemany(_WRITE, map(_row, found))


def open_notices(db: sqlite3.Connection, since_ms: int) -> list[Notice]:
    """Those not settled, with what the same person was told of the same occurrence; those settled since then; and all
    of alarms that stand. In the order they arose."""
    return [_notice(row) for row in select(db, _OPEN, (since_ms,))]


def _row(notice: Notice) -> dict[str, object]:
    return {
        **{name: getattr(notice.key, name) for name in _OF_KEY},
        "transition": msgspec.json.encode(notice.transition).decode(),
        "place": notice.place,
        "priority": notice.priority,
        "made_ms": notice.made_ms,
        "due_ms": notice.due_ms,
        "fate": notice.fate.value,
        "settled_ms": notice.settled_ms,
        "message": notice.message,
    }


def _notice(row: sqlite3.Row) -> Notice:
    return Notice(
        key=NoticeKey(**{name: row[name] for name in _OF_KEY}),
        transition=msgspec.json.decode(row["transition"], type=Transition),
        place=row["place"],
        priority=row["priority"],
        made_ms=row["made_ms"],
        due_ms=row["due_ms"],
        fate=Fate(row["fate"]),
        settled_ms=row["settled_ms"],
        message=row["message"],
    )
