"""Where alarms stand and what they did, in their tables: `alarm_states` and `alarm_history`."""

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass

from collector.alarms.model import AlarmKey, AlarmState, Event, State
from collector.store.batch import HistoryRow
from collector.store.tables.rows import insert, select
from collector.store.tables.text import clean


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldAlarm:
    """An alarm that is not normal, with the words of its last entry in the history."""

    state: AlarmState
    place: str
    measure: str
    priority: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PastChange:
    """One line of the alarm history. All times are ms UTC."""

    id: int
    rule: str
    series: int
    place: str
    measure: str
    priority: str
    event: Event
    before: State
    after: State
    t_ms: int
    since_ms: int | None
    raised_ms: int | None
    value: float | None
    worst: float | None
    by: str
    noticed_ms: int
    note: str = ""
    """Why it was shelved or suppressed."""
    until_ms: int | None = None
    """Until when it is shelved."""


_OF_STATE = (
    "rule",
    "series",
    "state",
    "active",
    "deadline_ms",
    "since_ms",
    "raised_ms",
    "changed_ms",
    "worst",
    "acked_ms",
    "shelved_until_ms",
    "shelved_by",
    "reason",
    "out_by",
    "cause",
)
_OF_CHANGE = (
    "rule",
    "series",
    "place",
    "measure",
    "priority",
    "event",
    "before",
    "after",
    "t_ms",
    "since_ms",
    "raised_ms",
    "value",
    "worst",
    "by",
    "noticed_ms",
    "note",
    "until_ms",
)
_STATES = f"SELECT {', '.join(_OF_STATE)} FROM alarm_states"  # noqa: S608 - own names
_WRITE_STATE = insert("alarm_states", _OF_STATE, "INSERT OR REPLACE")
_CHANGES = f"SELECT id, {', '.join(_OF_CHANGE)} FROM alarm_history "  # noqa: S608 - own names
_WRITE_CHANGE = insert("alarm_history", _OF_CHANGE, on_conflict="ON CONFLICT DO NOTHING")
_WORDS = """SELECT s.rule, s.series, h.place, h.measure, h.priority FROM alarm_states s
    LEFT JOIN alarm_history h ON h.id =
        (SELECT max(id) FROM alarm_history WHERE rule = s.rule AND series = s.series)"""


def write_states(db: sqlite3.Connection, found: Iterable[AlarmState]) -> None:
    """New ones, and changed ones in place of what they were."""
    db.executemany(_WRITE_STATE, map(_state_row, found))


def write_changes(db: sqlite3.Connection, found: Iterable[HistoryRow]) -> None:
    """Add to the history; a change that stands there already stays as it is."""
    db.executemany(_WRITE_CHANGE, map(_change_row, found))


def alarm_states(db: sqlite3.Connection) -> dict[AlarmKey, AlarmState]:
    """Every alarm that ever changed, as it stands."""
    states = map(_state, select(db, _STATES))
    return {state.key: state for state in states}


def held_alarms(db: sqlite3.Connection) -> list[HeldAlarm]:
    """Alarms in any state but normal, oldest change first. Two queries: for one snapshot."""
    words = {AlarmKey(row["rule"], row["series"]): row for row in select(db, _WORDS)}
    held = [
        HeldAlarm(state=state, **{name: words[key][name] or "" for name in ("place", "measure", "priority")})
        for key, state in alarm_states(db).items()
        if state.state is not State.NORMAL
    ]
    return sorted(held, key=lambda alarm: (alarm.state.changed_ms, alarm.state.key.rule, alarm.state.key.series))


def newest_changes(db: sqlite3.Connection, since_ms: int, at_most: int) -> list[PastChange]:
    """Changes since then, newest first."""
    query = _CHANGES + "WHERE t_ms >= ? ORDER BY t_ms DESC, id DESC LIMIT ?"
    return [_change(row) for row in select(db, query, (since_ms, at_most))]


def occurrence(db: sqlite3.Connection, rule: str, series: int, raised_ms: int) -> list[PastChange]:
    """What happened to one occurrence of an alarm, in the order it was recorded."""
    query = _CHANGES + "WHERE rule = ? AND series = ? AND t_ms >= ?3 AND raised_ms = ?3 ORDER BY id"
    return [_change(row) for row in select(db, query, (rule, series, raised_ms))]


def changes_between(db: sqlite3.Connection, since_ms: int, until_ms: int) -> list[PastChange]:
    """Changes from `since_ms` on and before `until_ms`, in the order they were recorded."""
    query = _CHANGES + "WHERE t_ms >= ? AND t_ms < ? ORDER BY id"
    return [_change(row) for row in select(db, query, (since_ms, until_ms))]


def changes_numbered(db: sqlite3.Connection, numbers: Iterable[int]) -> list[PastChange]:
    """Those of these numbers that there are."""
    query = _CHANGES + "WHERE id IN (SELECT value FROM json_each(?)) ORDER BY id"  # noqa: S608 - own names
    return [_change(row) for row in select(db, query, (str(sorted(numbers)),))]


def _state_row(state: AlarmState) -> dict[str, object]:
    return {
        "rule": state.key.rule,
        "series": state.key.series,
        "state": state.state.value,
        "active": int(state.active),
        "deadline_ms": state.deadline_ms,
        "since_ms": state.since_ms,
        "raised_ms": state.raised_ms,
        "changed_ms": state.changed_ms,
        "worst": state.worst,
        "acked_ms": state.acked_ms,
        "shelved_until_ms": state.shelved_until_ms,
        "shelved_by": clean(state.shelved_by),
        "reason": clean(state.reason),
        "out_by": clean(state.out_by),
        "cause": state.cause,
    }


def _state(row: sqlite3.Row) -> AlarmState:
    return AlarmState(
        key=AlarmKey(row["rule"], row["series"]),
        state=State(row["state"]),
        active=bool(row["active"]),
        **{name: row[name] for name in _OF_STATE[4:]},
    )


def _change_row(row: HistoryRow) -> dict[str, object]:
    change = row.transition
    return {
        "rule": change.key.rule,
        "series": change.key.series,
        "place": row.place,
        "measure": row.measure,
        "priority": row.priority,
        "event": change.event.value,
        "before": change.before.value,
        "after": change.after.value,
        "t_ms": change.t_ms,
        "since_ms": change.since_ms,
        "raised_ms": change.raised_ms,
        "value": change.value,
        "worst": change.worst,
        "by": clean(change.by),
        "noticed_ms": row.noticed_ms,
        "note": clean(change.note),
        "until_ms": change.until_ms,
    }


def _change(row: sqlite3.Row) -> PastChange:
    words = {"event": Event(row["event"]), "before": State(row["before"]), "after": State(row["after"])}
    return PastChange(**{**row, **words})
