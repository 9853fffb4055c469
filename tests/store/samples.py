"""What the store's tests are made of: a journal in a folder, series, readings, whole batches."""

import random
import sqlite3
from contextlib import closing
from pathlib import Path

from collector.alarms.model import AlarmKey, AlarmState, Event, State, Transition
from collector.domain.diary import Brew, DiaryEntry, DiaryKind
from collector.domain.lab import SeriesKey
from collector.store.batch import Batch, HistoryRow, NewMessage, ReadingRow, RejectedRow, Unplaced
from collector.store.journal import Journal
from collector.store.reader import Reader
from collector.store.tables.series_rows import StoredSeries
from collector.store.vocabulary import Counter, EventKind, MetaKey
from tests.worlds.values import DAY as DAY
from tests.worlds.values import HOUR as HOUR
from tests.worlds.values import MIN
from tests.worlds.values import T0 as T0

MINUTE = MIN
ZONE = "America/New_York"


def opened(folder: Path, zone: str = ZONE, now_ms: int = T0) -> Journal:
    return Journal(folder / "traywarden.db", zone, now_ms)


def with_series(journal: Journal, n: int = 3) -> list[int]:
    """The numbers of `n` temperature series in Juniper's trays."""
    trays = ("top", "middle", "bottom")
    return [
        journal.series_id(
            SeriesKey(
                probe=f"probe-{i}", channel="bedding", measure="bedding_temperature", place=f"juniper/{trays[i % 3]}"
            ),
            "degC",
            "juniper",
            trays[i % 3],
            T0,
        )
        for i in range(n)
    ]


def good(t_ms: int, series: int, value: float | None = 20.5, flag: int = 1, why: int = 0) -> ReadingRow:
    return (t_ms, series, value, flag, value, why)


def minutes(series: list[int], n: int, start_ms: int = T0, seed: int = 1) -> list[ReadingRow]:
    """One reading a minute of each series."""
    source = random.Random(seed)  # noqa: S311 - samples, no secrets
    return [
        good(start_ms + m * MINUTE + s * 17, s, round(source.uniform(15.0, 30.0), 2)) for m in range(n) for s in series
    ]


def raised(key: AlarmKey, t_ms: int) -> tuple[Transition, AlarmState]:
    """An alarm that is told, and how it stands then."""
    change = Transition(
        key=key,
        event=Event.RAISED,
        before=State.NORMAL,
        after=State.UNACKNOWLEDGED,
        t_ms=t_ms,
        since_ms=t_ms - 5,
        raised_ms=t_ms,
        value=31.5,
        worst=31.5,
    )
    standing = AlarmState(
        key=key,
        state=change.after,
        active=True,
        since_ms=change.since_ms,
        raised_ms=t_ms,
        changed_ms=t_ms,
        worst=change.worst,
    )
    return change, standing


def full_batch(series: int, t_ms: int = T0) -> Batch:
    """A batch with something in every part."""
    change, standing = raised(AlarmKey("bedding-hot", series), t_ms)
    return Batch(
        rows=[good(t_ms, series, 31.5), good(t_ms + 1, series, None, 9, 128)],
        states={standing.key: standing},
        transitions=[
            HistoryRow(
                transition=change,
                place="juniper/top",
                measure="bedding_temperature",
                priority="high",
                noticed_ms=t_ms + 900,
            )
        ],
        messages=[message(f"bedding-hot/{series}/{t_ms}/teacher", t_ms)],
        unplaced={("worms/lab/9", "x"): Unplaced(first_ms=t_ms, last_ms=t_ms, count=2, sample=b"[1]")},
        rejected=[RejectedRow(t_ms=t_ms, topic="worms/bad", reason="not JSON", first_bytes=b"\xff{")],
        counts={Counter.LATE: 2, Counter.RETAINED: 0},
        arrivals=[(7, b"digest-7"), (8, b"digest-8")],
        events=[(t_ms, EventKind.LINK_UP, "connected")],
        meta={MetaKey.LINK_MS: str(t_ms)},
        diary={
            1: DiaryEntry(
                id=1,
                t_ms=t_ms - MINUTE,
                taken_ms=t_ms,
                place="juniper/top",
                kind=DiaryKind.WATERED,
                amount=0.5,
                result=None,
                by="class 4b",
            )
        },
        brews={
            1: Brew(
                id=1,
                place="kettle",
                started_ms=t_ms - HOUR,
                air_stopped_ms=None,
                ended_ms=None,
                taken_ms=t_ms,
                by="teacher",
            )
        },
    )


def message(key: str, created_ms: int = T0, priority: str = "high") -> NewMessage:
    return NewMessage(
        key=key,
        recipient="teacher@quillbrook.example",
        channel="email",
        priority=priority,
        subject="Too hot",
        body="Open the lid.",
        created_ms=created_ms,
    )


def dump(path: Path, *tables: str) -> dict[str, list[tuple[object, ...]]]:
    """The rows of the tables as an outsider with SQLite alone sees them."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as db:
        return {table: db.execute(f"SELECT * FROM {table} ORDER BY 1, 2").fetchall() for table in tables}  # noqa: S608


def held(path: Path) -> list[tuple[object, ...]]:
    """All readings as an outsider sees them: t, series, value, flag, raw, why."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as db:
        return db.execute("SELECT t, series, value, flag, raw, why FROM readings ORDER BY t, series").fetchall()


def counted(journal: Journal) -> int:
    """How many readings are held, as `status` would say."""
    with Reader(journal.path) as reader:
        return reader.readings_count()


def known(journal: Journal) -> list[StoredSeries]:
    """Every series, as a reader finds them."""
    with Reader(journal.path) as reader:
        return reader.series()


def happened(path: Path) -> list[tuple[int, str, str]]:
    """What the collector noted of itself, oldest first: t_ms, kind, detail."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as db:
        return db.execute("SELECT t_ms, kind, detail FROM events ORDER BY id").fetchall()
