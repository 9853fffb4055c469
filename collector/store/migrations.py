"""Steps that bring a database to the form this program knows: named, numbered, each one transaction with its record.

A step that was ever released is never changed; a new form is a new step at the end of STEPS, and a stored database of
every past version stands in tests/store. Each step has its way back, for whoever returns to an older program
(`store/downgrade.py`): what the older form cannot hold is counted, told and left out.
"""

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from collector.store.connection import APPLICATION_ID, transaction
from collector.store.errors import StoreError
from collector.store.tables.rows import insert

SERIES_BITS = 14
"""Readings are keyed by t * 2^14 + series: one integer that sorts by (t, series). Room for 16,383 series, and for times
until the year 17,000. An integer key lets SQLite append without rebalancing the neighbours, which a two-column
key does not: at 24 readings a minute it saves a quarter of all blocks written."""
SERIES_MASK = (1 << SERIES_BITS) - 1


class LeftOut(NamedTuple):
    """What a step back leaves out."""

    what: str
    counted_by: str
    """The query that counts it."""


class Step(NamedTuple):
    name: str
    run: Callable[[sqlite3.Connection], None]
    back: Callable[[sqlite3.Connection], None] | None = None
    """To the form before; None: there is no way back."""
    loses: tuple[LeftOut, ...] = ()


_TABLES = (
    """CREATE TABLE series(
        id INTEGER PRIMARY KEY, probe TEXT NOT NULL, channel TEXT NOT NULL, measure TEXT NOT NULL, place TEXT NOT NULL,
        bin TEXT NOT NULL, tray TEXT NOT NULL, unit TEXT NOT NULL, created_ms INTEGER NOT NULL,
        UNIQUE(probe, channel, measure, place)) STRICT""",
    """CREATE TABLE readings(
        id INTEGER PRIMARY KEY, value REAL, flag INTEGER NOT NULL, raw REAL, why INTEGER NOT NULL,
        t INTEGER GENERATED ALWAYS AS (id >> 14) VIRTUAL,
        series INTEGER GENERATED ALWAYS AS (id & 16383) VIRTUAL) STRICT""",
    """CREATE TABLE latest(
        series INTEGER PRIMARY KEY, t INTEGER NOT NULL, value REAL, flag INTEGER NOT NULL,
        why INTEGER NOT NULL) STRICT""",
    # Hour first: the rows of the running hour share a page. Series first would dirty one page for each series.
    """CREATE TABLE hourly(
        hour INTEGER NOT NULL, series INTEGER NOT NULL, n INTEGER NOT NULL, n_good INTEGER NOT NULL,
        mean REAL, low REAL, high REAL, PRIMARY KEY(hour, series)) STRICT, WITHOUT ROWID""",
    """CREATE TABLE daily(
        day TEXT NOT NULL, series INTEGER NOT NULL, n INTEGER NOT NULL, n_good INTEGER NOT NULL,
        mean REAL, low REAL, high REAL, PRIMARY KEY(day, series)) STRICT, WITHOUT ROWID""",
    # before: for an hour, how many readings it held when it was marked (they are counted already).
    """CREATE TABLE rollup_due(
        kind TEXT NOT NULL, start INTEGER NOT NULL, before INTEGER NOT NULL,
        PRIMARY KEY(kind, start)) STRICT, WITHOUT ROWID""",
    """CREATE TABLE alarm_states(
        rule TEXT NOT NULL, series INTEGER NOT NULL, state TEXT NOT NULL, active INTEGER NOT NULL, deadline_ms INTEGER,
        since_ms INTEGER, raised_ms INTEGER, changed_ms INTEGER NOT NULL, worst REAL,
        PRIMARY KEY(rule, series)) STRICT, WITHOUT ROWID""",
    """CREATE TABLE alarm_history(
        id INTEGER PRIMARY KEY, rule TEXT NOT NULL, series INTEGER NOT NULL, place TEXT NOT NULL, measure TEXT NOT NULL,
        priority TEXT NOT NULL, event TEXT NOT NULL, before TEXT NOT NULL, after TEXT NOT NULL, t_ms INTEGER NOT NULL,
        since_ms INTEGER, raised_ms INTEGER, value REAL, worst REAL, by TEXT NOT NULL, noticed_ms INTEGER NOT NULL,
        UNIQUE(rule, series, t_ms, event)) STRICT""",
    """CREATE TABLE outbox(
        id INTEGER PRIMARY KEY, key TEXT NOT NULL UNIQUE, recipient TEXT NOT NULL, channel TEXT NOT NULL,
        priority TEXT NOT NULL, subject TEXT NOT NULL, body TEXT NOT NULL, created_ms INTEGER NOT NULL,
        state TEXT NOT NULL, attempts INTEGER NOT NULL, next_ms INTEGER NOT NULL, last_error TEXT NOT NULL,
        settled_ms INTEGER) STRICT""",
    """CREATE TABLE requests(
        id INTEGER PRIMARY KEY, kind TEXT NOT NULL, body TEXT NOT NULL, at_ms INTEGER NOT NULL, done_ms INTEGER,
        result TEXT) STRICT""",
    """CREATE TABLE unplaced(
        topic TEXT NOT NULL, name TEXT NOT NULL, first_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL,
        count INTEGER NOT NULL, sample BLOB NOT NULL, PRIMARY KEY(topic, name)) STRICT, WITHOUT ROWID""",
    """CREATE TABLE rejected(
        id INTEGER PRIMARY KEY, t_ms INTEGER NOT NULL, topic TEXT NOT NULL, reason TEXT NOT NULL,
        first_bytes BLOB NOT NULL) STRICT""",
    """CREATE TABLE counters(name TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT, WITHOUT ROWID""",
    """CREATE TABLE arrivals(
        slot INTEGER PRIMARY KEY, seq INTEGER NOT NULL, mid INTEGER NOT NULL, digest BLOB NOT NULL) STRICT""",
    """CREATE TABLE meta(name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID""",
    """CREATE TABLE events(
        id INTEGER PRIMARY KEY, t_ms INTEGER NOT NULL, kind TEXT NOT NULL, detail TEXT NOT NULL,
        UNIQUE(t_ms, kind, detail)) STRICT""",
)


def _tables(db: sqlite3.Connection) -> None:
    db.execute(f"PRAGMA application_id={APPLICATION_ID}")
    for table in _TABLES:
        db.execute(table)


def _open_work_by_index(db: sqlite3.Connection) -> None:
    """Messages to send, their counts, and requests to take up are found without reading everything ever sent."""
    db.execute("CREATE INDEX outbox_state ON outbox(state, next_ms)")
    db.execute("CREATE INDEX requests_open ON requests(id) WHERE done_ms IS NULL")


def _open_work_unindexed(db: sqlite3.Connection) -> None:
    db.execute("DROP INDEX outbox_state")
    db.execute("DROP INDEX requests_open")


def _diary_and_brews(db: sqlite3.Connection) -> None:
    """What people did, and the brews. Nothing is deleted from either: a slip is struck out."""
    db.execute(
        """CREATE TABLE diary(
        id INTEGER PRIMARY KEY, t_ms INTEGER NOT NULL, taken_ms INTEGER NOT NULL, place TEXT NOT NULL,
        kind TEXT NOT NULL, amount REAL, result TEXT, by TEXT NOT NULL, note TEXT NOT NULL, struck_ms INTEGER,
        struck_by TEXT NOT NULL) STRICT"""
    )
    db.execute(
        """CREATE TABLE brews(
        id INTEGER PRIMARY KEY, place TEXT NOT NULL, started_ms INTEGER NOT NULL, air_stopped_ms INTEGER,
        ended_ms INTEGER, taken_ms INTEGER NOT NULL, by TEXT NOT NULL, note TEXT NOT NULL, ended_taken_ms INTEGER,
        ended_by TEXT NOT NULL, struck_ms INTEGER, struck_by TEXT NOT NULL) STRICT"""
    )


def _no_diary(db: sqlite3.Connection) -> None:
    db.execute("DROP TABLE diary")
    db.execute("DROP TABLE brews")


def _what_people_order(db: sqlite3.Connection) -> None:
    """Shelving, out of service and the alarm that stands for another, as a restart needs it; why in the history."""
    for column in (
        "acked_ms INTEGER",
        "shelved_until_ms INTEGER",
        "shelved_by TEXT NOT NULL DEFAULT ''",
        "reason TEXT NOT NULL DEFAULT ''",
        "out_by TEXT NOT NULL DEFAULT ''",
        "cause TEXT NOT NULL DEFAULT ''",
    ):
        db.execute(f"ALTER TABLE alarm_states ADD COLUMN {column}")
    db.execute("ALTER TABLE alarm_history ADD COLUMN note TEXT NOT NULL DEFAULT ''")
    db.execute("ALTER TABLE alarm_history ADD COLUMN until_ms INTEGER")


_DONE = insert("migrations", ("n", "name", "at_ms"))
_COUNT = "SELECT count(*) FROM {} WHERE {}"
_HELD = "state IN ('shelved', 'suppressed', 'out-of-service')"
_UNKNOWN_EVENTS = "event IN ('latched', 'reset')"


def _no_orders(db: sqlite3.Connection) -> None:
    """Programs of that time never end a shelving: what is held goes back to what its condition says."""
    db.execute(f"UPDATE alarm_states SET state = iif(active, 'unacknowledged', 'normal') WHERE {_HELD}")  # noqa: S608
    db.execute(f"DELETE FROM alarm_history WHERE {_UNKNOWN_EVENTS}")  # noqa: S608 - own words
    for column in ("acked_ms", "shelved_until_ms", "shelved_by", "reason", "out_by", "cause"):
        db.execute(f"ALTER TABLE alarm_states DROP COLUMN {column}")
    for column in ("note", "until_ms"):
        db.execute(f"ALTER TABLE alarm_history DROP COLUMN {column}")


def _notices(db: sqlite3.Connection) -> None:
    """What each person is still to hear and has heard; HTML, threads and pictures of messages."""
    db.execute(
        """CREATE TABLE notices(
        role TEXT NOT NULL, rule TEXT NOT NULL, series INTEGER NOT NULL, occurrence_ms INTEGER NOT NULL,
        event TEXT NOT NULL, why TEXT NOT NULL, t_ms INTEGER NOT NULL, transition TEXT NOT NULL, place TEXT NOT NULL,
        priority TEXT NOT NULL, made_ms INTEGER NOT NULL, due_ms INTEGER NOT NULL, fate TEXT NOT NULL,
        settled_ms INTEGER, message TEXT NOT NULL,
        PRIMARY KEY(role, rule, series, occurrence_ms, event, why, t_ms)) STRICT, WITHOUT ROWID"""
    )
    db.execute("CREATE INDEX notices_open ON notices(made_ms) WHERE fate IN ('waiting', 'digest')")
    db.execute("CREATE INDEX notices_settled ON notices(settled_ms)")
    for column in ("html", "parents", "picture"):
        db.execute(f"ALTER TABLE outbox ADD COLUMN {column} TEXT NOT NULL DEFAULT ''")


def _no_notices(db: sqlite3.Connection) -> None:
    db.execute("DROP TABLE notices")
    for column in ("html", "parents", "picture"):
        db.execute(f"ALTER TABLE outbox DROP COLUMN {column}")


_DUE = "INSERT OR REPLACE INTO uplink_due SELECT '{}', NEW.id, 1 + coalesce(max(n), 0) FROM uplink_due"
"""Marked anew with a number of its own, so that a change while the one before is on its way is sent too."""


def _uplink(db: sqlite3.Connection) -> None:
    """What an uplink has sent and what it must send again; nothing is written here where none was ever set up."""
    db.execute(
        "CREATE TABLE uplink(one INTEGER PRIMARY KEY CHECK(one = 1), position INTEGER NOT NULL,"
        " note TEXT NOT NULL) STRICT"
    )
    db.execute(
        """CREATE TABLE uplink_due(
        kind TEXT NOT NULL, id INTEGER NOT NULL, n INTEGER NOT NULL, PRIMARY KEY(kind, id)) STRICT, WITHOUT ROWID"""
    )
    db.execute(
        "CREATE TABLE uplink_aside(id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, reason TEXT NOT NULL,"
        " line TEXT NOT NULL) STRICT"
    )
    for kind, table in (("alarm", "alarm_history"), ("diary", "diary"), ("brew", "brews")):
        when = f"CREATE TRIGGER uplink_{kind} AFTER INSERT ON {table} WHEN EXISTS (SELECT 1 FROM uplink)"  # noqa: S608 - own names
        db.execute(f"{when} BEGIN {_DUE.format(kind)}; END")


def _no_uplink(db: sqlite3.Connection) -> None:
    for kind in ("alarm", "diary", "brew"):
        db.execute(f"DROP TRIGGER uplink_{kind}")
    for table in ("uplink", "uplink_due", "uplink_aside"):
        db.execute(f"DROP TABLE {table}")


STEPS: tuple[Step, ...] = (
    Step("tables", _tables),
    Step("open messages and requests by index", _open_work_by_index, _open_work_unindexed),
    Step(
        "diary and brews",
        _diary_and_brews,
        _no_diary,
        (LeftOut("entries of the diary", "SELECT count(*) FROM diary"), LeftOut("brews", "SELECT count(*) FROM brews")),
    ),
    Step(
        "shelving, service and causes of alarms",
        _what_people_order,
        _no_orders,
        (
            LeftOut("alarms held back (shelved, suppressed or out of service)", _COUNT.format("alarm_states", _HELD)),
            LeftOut("notes on alarms in their history", _COUNT.format("alarm_history", "note <> ''")),
            LeftOut("latchings and resets in the history of alarms", _COUNT.format("alarm_history", _UNKNOWN_EVENTS)),
        ),
    ),
    Step(
        "notices, threads and pictures of messages",
        _notices,
        _no_notices,
        (
            LeftOut(
                "notices that wait for morning or the digest", _COUNT.format("notices", "fate IN ('waiting', 'digest')")
            ),
        ),
    ),
    Step(
        "position and list of the uplink",
        _uplink,
        _no_uplink,
        (
            LeftOut("position of the uplink (it begins anew)", "SELECT count(*) FROM uplink"),
            LeftOut("lines that the uplink set aside", "SELECT count(*) FROM uplink_aside"),
        ),
    ),
)


def version(db: sqlite3.Connection) -> int:
    """The last step the database has been through, 0 for a new file."""
    if db.execute("SELECT 1 FROM sqlite_master WHERE name = 'migrations'").fetchone() is None:
        return 0
    found: int = db.execute("SELECT coalesce(max(n), 0) FROM migrations").fetchone()[0]
    return found


def refuse_newer(db: sqlite3.Connection, path: Path) -> int:
    """The version, unless a newer program made it: an older one would misread it."""
    found = version(db)
    if found > len(STEPS):
        raise StoreError(
            f"{path}: made by a newer traywarden (form {found}; this program knows {len(STEPS)}): install the newer one"
        )
    return found


def refuse_other(db: sqlite3.Connection, path: Path) -> None:
    """For all who do not upgrade: the database must be in exactly this program's form."""
    found = refuse_newer(db, path)
    if found < len(STEPS):
        raise StoreError(
            f"{path}: made by an older traywarden (form {found} of {len(STEPS)}); 'traywarden watch' upgrades it"
        )


def migrate(db: sqlite3.Connection, path: Path, now_ms: int) -> list[str]:
    """Run the steps the database has not been through; returns their names."""
    done = refuse_newer(db, path)
    for n, step in enumerate(STEPS[done:], start=done + 1):
        with transaction(db):
            db.execute(
                "CREATE TABLE IF NOT EXISTS migrations("
                "n INTEGER PRIMARY KEY, name TEXT NOT NULL, at_ms INTEGER NOT NULL) STRICT"
            )
            step.run(db)
            db.execute(_DONE, {"n": n, "name": step.name, "at_ms": now_ms})
    return [step.name for step in STEPS[done:]]
