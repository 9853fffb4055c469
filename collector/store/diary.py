"""The diary and the brews in their tables: read by the collector and by read-only connections, written with a batch."""

import sqlite3
from collections.abc import Iterable
from typing import Any

from collector.domain.diary import Brew, DiaryEntry, DiaryKind, Feel

_ENTRY_COLUMNS = (
    "id", "t_ms", "taken_ms", "place", "kind", "amount", "result", "by", "note", "struck_ms", "struck_by",
)  # fmt: skip
_ENTRY = ", ".join(_ENTRY_COLUMNS)
_ENTRIES = f"SELECT {_ENTRY} FROM diary WHERE t_ms >= ? ORDER BY t_ms, id"  # noqa: S608 - own names
_WRITE_ENTRY = f"INSERT OR REPLACE INTO diary({_ENTRY}) VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
_BREW_COLUMNS = (
    "id", "place", "started_ms", "air_stopped_ms", "ended_ms", "taken_ms", "by", "note", "ended_taken_ms", "ended_by",
    "struck_ms", "struck_by",
)  # fmt: skip
_BREW = ", ".join(_BREW_COLUMNS)
_BREWS = f"SELECT {_BREW} FROM brews ORDER BY started_ms, id"  # noqa: S608 - own names
_WRITE_BREW = f"INSERT OR REPLACE INTO brews({_BREW}) VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
_ALL = -(2**63)


def entries(db: sqlite3.Connection, since_ms: int | None = None) -> list[DiaryEntry]:
    """What was done since then, struck entries included, in the order of its times."""
    return [_entry(row) for row in db.execute(_ENTRIES, (_ALL if since_ms is None else since_ms,))]


def _entry(row: tuple[Any, ...]) -> DiaryEntry:
    named = dict(zip(_ENTRY_COLUMNS, row, strict=True))
    named["kind"] = DiaryKind(named["kind"])
    named["result"] = None if named["result"] is None else Feel(named["result"])
    return DiaryEntry(**named)


def brews(db: sqlite3.Connection) -> list[Brew]:
    """Every brew, struck ones included, in the order of their starts."""
    return [Brew(**dict(zip(_BREW_COLUMNS, row, strict=True))) for row in db.execute(_BREWS)]


def write_entries(db: sqlite3.Connection, found: Iterable[DiaryEntry]) -> None:
    """New entries, and changed ones in place of what they were."""
    db.executemany(
        _WRITE_ENTRY,
        (
            (
                e.id,
                e.t_ms,
                e.taken_ms,
                e.place,
                e.kind.value,
                e.amount,
                None if e.result is None else e.result.value,
                e.by,
                e.note,
                e.struck_ms,
                e.struck_by,
            )
            for e in found
        ),
    )


def write_brews(db: sqlite3.Connection, found: Iterable[Brew]) -> None:
    """New brews, and changed ones in place of what they were."""
    db.executemany(
        _WRITE_BREW,
        (
            (
                b.id,
                b.place,
                b.started_ms,
                b.air_stopped_ms,
                b.ended_ms,
                b.taken_ms,
                b.by,
                b.note,
                b.ended_taken_ms,
                b.ended_by,
                b.struck_ms,
                b.struck_by,
            )
            for b in found
        ),
    )
