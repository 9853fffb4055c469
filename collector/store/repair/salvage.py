"""Reading what can be read out of a damaged database into a new one.

Each table is walked forwards until the first unreadable page, then backwards from its end; of the readings, what lies
between two unreadable places is looked for by halving the stretch. What could not be reached so is then read from the
pages themselves (`salvage_pages`). Nothing here trusts the damaged file: a row that does not fit the new table's rules
is left out.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from collector.store.connection import transaction
from collector.store.errors import primary_code
from collector.store.journal import Journal
from collector.store.localdays import HOUR_MS, LocalDays
from collector.store.migrations import SERIES_BITS
from collector.store.repair.salvage_pages import carve_missing, kept_stretch
from collector.store.tables.rows import insert, select
from collector.store.vocabulary import Counter, MetaKey

# Table -> how its rows are told apart and ordered.
_TABLES = {
    "series": "id",
    "alarm_states": "rule, series",
    "alarm_history": "id",
    "outbox": "id",
    "notices": "role, rule, series, occurrence_ms, event, why, t_ms",
    "requests": "id",
    "uplink": "one",
    "uplink_due": "kind, id",
    "uplink_aside": "id",
    "diary": "id",
    "brews": "id",
    "unplaced": "topic, name",
    "rejected": "id",
    "counters": "name",
    "arrivals": "slot",
    "meta": "name",
    "events": "id",
    "latest": "series",
    "hourly": "hour, series",
    "daily": "day, series",
}
_COUNTER = insert("counters", ("name", "value"), "INSERT OR REPLACE")
_GAP_READ_TRIES = 4_000
_NARROWEST = 1_000 << SERIES_BITS
"""Give up on a stretch of a second."""


class Loss(NamedTuple):
    """Readings that the hourly figures count and that are gone."""

    readings: int
    since_ms: int
    until_ms: int

    def __str__(self) -> str:
        since, until = (datetime.fromtimestamp(ms / 1000, UTC) for ms in (self.since_ms, self.until_ms))
        return f"{self.readings} readings from {since:%Y-%m-%dT%H:%MZ} to {until:%Y-%m-%dT%H:%MZ} are lost"


class Salvaged(NamedTuple):
    readings: int
    others: dict[str, int]
    """Rows by table."""
    incomplete: tuple[str, ...]
    """Tables of which some rows could not be read."""
    lost: Loss | None = None
    """None where no reading of a whole hour is missing."""

    def __str__(self) -> str:
        rest = sum(self.others.values())
        loss = f"; not all of {', '.join(self.incomplete)} could be read" if self.incomplete else ""
        return f"{self.readings} readings and {rest} other rows{loss}" + (f"; {self.lost}" if self.lost else "")


def salvage(damaged: Path, fresh: Path, time_zone: str, now_ms: int) -> Salvaged:
    """Make `fresh`, a journal with everything that can be read of `damaged`, and close it."""
    with Journal(fresh, time_zone, now_ms):
        pass
    others: dict[str, int] = {}
    incomplete: list[str] = []
    with closing(_open_fresh(fresh)) as new:
        with closing(_open_damaged(damaged)) as old:
            for table, order in _TABLES.items():
                others[table], whole = _copy_table(old, new, table, order)
                if not whole:
                    incomplete.append(table)
            readings, whole = _copy_readings(old, new)
            if not whole:
                incomplete.append("readings")
        lost = None
        if incomplete:
            whole_again = carve_missing(damaged, new, incomplete, now_ms)
            incomplete = [table for table in incomplete if table not in whole_again]
            others |= {table: _rows_in(new, table) for table in others}
            readings = _rows_in(new, "readings")
            lost = _lost(new, kept_stretch(new, now_ms).since)
        _make_consistent(new, readings, LocalDays(time_zone))
    with Journal(fresh, time_zone, now_ms) as journal:
        while journal.tidy(now_ms).left:
            pass
    return Salvaged(readings, others, tuple(incomplete), lost)


def _rows_in(new: sqlite3.Connection, table: str) -> int:
    (rows,) = new.execute(f"SELECT count(*) FROM {table}").fetchone()  # noqa: S608 - own names
    return int(rows)


def _lost(new: sqlite3.Connection, since_ms: int) -> Loss | None:
    """What the hourly figures say was there, hour by hour, against what is."""
    (readings, first, last) = new.execute(_LOST, {"hour_ms": HOUR_MS, "since": since_ms}).fetchone()
    return Loss(readings, first, last + HOUR_MS) if readings else None


def _open_damaged(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)
    db.text_factory = lambda raw: raw.decode("utf-8", "replace")
    with suppress(sqlite3.Error):
        db.execute("PRAGMA cell_size_check=ON")
    return db


def _open_fresh(path: Path) -> sqlite3.Connection:
    """Without a journal: if the salvage fails half way, the file is thrown away."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode=OFF").fetchone()
    return db


def _is_damage(error: sqlite3.Error) -> bool:
    """Anything the damaged file says counts as damage but a lack of room or memory on our side."""
    return primary_code(error) not in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_NOMEM)


def _walk(db: sqlite3.Connection, query: str, values: tuple[object, ...] = ()) -> Iterator[tuple[object, ...] | None]:
    """Rows up to the first unreadable one, for which None stands."""
    try:
        yield from db.execute(query, values)
    except sqlite3.Error as error:
        if not _is_damage(error):
            raise
        yield None


def _insert(new: sqlite3.Connection, query: str, row: tuple[object, ...]) -> int:
    try:
        return max(0, new.execute(query, row).rowcount)
    except (sqlite3.IntegrityError, OverflowError):
        return 0


def _copy_table(old: sqlite3.Connection, new: sqlite3.Connection, table: str, order: str) -> tuple[int, bool]:
    columns = _shared_columns(old, new, table)
    if not columns:
        return 0, False
    names = ", ".join(f'"{name}"' for name in columns)
    down = ", ".join(f"{part} DESC" for part in order.split(", "))
    keep = f"INSERT OR REPLACE INTO {table}({names}) VALUES({', '.join('?' * len(columns))})"
    copied = 0
    with transaction(new):
        for direction in (order, down):
            for row in _walk(old, f"SELECT {names} FROM {table} ORDER BY {direction}"):  # noqa: S608 - own names
                if row is None:
                    break
                copied += _insert(new, keep, row)
            else:
                return copied, True
        (kept,) = new.execute(f"SELECT count(*) FROM {table}").fetchone()  # noqa: S608 - own names
    return kept, False


def _shared_columns(old: sqlite3.Connection, new: sqlite3.Connection, table: str) -> list[str]:
    """What both files have: the damaged one may be older."""
    wanted = [row[1] for row in new.execute(f"PRAGMA table_info({table})")]
    try:
        there = {row[1] for row in old.execute(f"PRAGMA table_info({table})")}
    except sqlite3.Error:
        return []
    return [name for name in wanted if name in there]


_READINGS = "SELECT id, value, flag, raw, why FROM readings WHERE id >= ? AND id < ? ORDER BY id"
_DUE = insert("rollup_due", ("kind", "start", "before"))
_HOURS = "SELECT t - ((t % :hour_ms) + :hour_ms) % :hour_ms AS hour, count(*) AS n FROM readings GROUP BY hour"
_LOST = """
    WITH there AS (SELECT t - t % :hour_ms AS hour, series, count(*) AS n FROM readings GROUP BY 1, 2)
    SELECT sum(h.n - coalesce(there.n, 0)), min(h.hour), max(h.hour)
    FROM hourly h LEFT JOIN there ON there.hour = h.hour AND there.series = h.series
    WHERE h.hour >= :since AND h.n > coalesce(there.n, 0)"""
_KEEP = "INSERT INTO readings(id, value, flag, raw, why) VALUES(?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"


def _copy_readings(old: sqlite3.Connection, new: sqlite3.Connection) -> tuple[int, bool]:
    whole = True
    tries = 0
    stretches = [(-(1 << 62), 1 << 62)]
    while stretches and tries < _GAP_READ_TRIES:
        tries += 1
        low, high = stretches.pop()
        with transaction(new):
            up = _follow(old, new, _READINGS, low, high, low)
            if up is None:
                continue
            whole = False
            down = _follow(old, new, _READINGS + " DESC", up, high, high)
        if down is not None and down - up > _NARROWEST:
            middle = (up + down) // 2
            stretches += [(up, middle), (middle, down)]
    (kept,) = new.execute("SELECT count(*) FROM readings").fetchone()
    return kept, whole


def _follow(old: sqlite3.Connection, new: sqlite3.Connection, query: str, low: int, high: int, at: int) -> int | None:
    """Copy along the query until it ends (None) or cannot go on: the last key it reached."""
    for row in _walk(old, query, (low, high)):
        if row is None:
            return at
        if isinstance(row[0], int):
            at = row[0]
            _insert(new, _KEEP, row)
    return None


def _make_consistent(new: sqlite3.Connection, readings: int, local: LocalDays) -> None:
    """Entries for series whose entry is lost, the count of readings, and every hour and day due again.

    Summaries that cover more than was salvaged stay: `rollups` keeps the one of more readings.
    """
    with transaction(new):
        new.execute(
            "INSERT INTO series(id, probe, channel, measure, place, bin, tray, unit, created_ms)"
            " SELECT DISTINCT series, 'lost-' || series, '', '', 'lost', '', '', '', 0 FROM readings"
            " WHERE series NOT IN (SELECT id FROM series)"
        )
        new.execute(_COUNTER, {"name": Counter.HELD, "value": readings})
        new.execute("DELETE FROM rollup_due")
        hours = [(row["hour"], row["n"]) for row in select(new, _HOURS, {"hour_ms": HOUR_MS})]
        new.executemany(_DUE, ({"kind": "hour", "start": hour, "before": n} for hour, n in hours))
        past = new.execute("SELECT value FROM meta WHERE name = ?", (MetaKey.HORIZON_MS,)).fetchone()
        days = {day.start_ms for hour, _ in hours for day in local.of_hour(hour)}
        whole = [day for day in days if past is None or day >= int(past[0])]
        new.executemany(_DUE, ({"kind": "day", "start": day, "before": 0} for day in whole))
