"""Damaged files: set aside whole, and what can be read of them goes on in a new one."""

import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from collector.store.batch import Batch
from collector.store.connection import PAGE_BYTES
from collector.store.errors import JournalDamaged, JournalStalled
from collector.store.migrations import SERIES_BITS
from collector.store.reader import Reader
from collector.store.repair import damage
from collector.store.repair.carve import FilePages
from collector.store.repair.damage import check, open_journal, set_aside
from tests.store.disks import no_file_beyond
from tests.store.samples import DAY, T0, ZONE, counted, dump, full_batch, good, held, minutes, opened, with_series

NOW = T0 + 30 * DAY


@pytest.fixture(scope="module")
def sound_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a closed journal: three series for four days, something in every table, two days deleted."""
    folder = tmp_path_factory.mktemp("sound")
    with opened(folder) as journal:
        series = with_series(journal)
        journal.commit(Batch(rows=minutes(series, 4 * 24 * 60)), T0)
        for n in range(20):
            journal.commit(full_batch(series[0], T0 + 6 * DAY + n), T0 + 6 * DAY)
        while journal.tidy(NOW).left:
            pass
        journal.retention(T0 + 7 * DAY, keep_days=5)
    return folder


@pytest.fixture
def home(sound_home: Path, tmp_path: Path) -> Path:
    """The same for each test, to damage."""
    return shutil.copytree(sound_home, tmp_path / "home")


def readings_pages(path: Path) -> list[int]:
    """Numbers, from 0, of pages that hold nothing but readings (leaves of their tree), told by the bytes of each; those
    of the deleted days, first in the file, are left out."""
    data = path.read_bytes()
    pages = [data[n : n + PAGE_BYTES] for n in range(0, len(data), PAGE_BYTES)]
    leaves = [n for n, page in enumerate(pages) if page[0] == 0x0D and page.count(b"\x40") > 20]
    return leaves[len(leaves) // 2 :]


def overwrite(path: Path, page: int, source: random.Random) -> None:
    with path.open("r+b") as file:
        file.seek(page * PAGE_BYTES)
        file.write(source.randbytes(PAGE_BYTES))


def sound(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_a_sound_file_is_left_alone(home: Path) -> None:
    """No report, no other file."""
    found = open_journal(home / "traywarden.db", ZONE, NOW)
    found.journal.close()
    assert found.damage is None
    assert sorted(path.name for path in home.iterdir()) == ["traywarden.db", "traywarden.db.map"]


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_pages_overwritten_at_random(home: Path, seed: int) -> None:
    """Whichever pages are lost, a working journal opens, the damaged file is kept byte for byte, the report tells how
    many readings were saved, and none that was saved is another than before."""
    path = home / "traywarden.db"
    before = set(held(path))
    source = random.Random(seed)  # noqa: S311 - samples, no secrets
    last = path.stat().st_size // PAGE_BYTES
    for page in source.sample(range(1, last), 4):
        overwrite(path, page, source)
    broken = path.read_bytes()
    with pytest.raises(JournalDamaged):
        check(path)
    journal, report = open_journal(path, ZONE, NOW)
    assert report is not None
    assert report.aside.name == "traywarden.db.damaged-20260401T080000Z"
    assert report.aside.read_bytes() == broken
    after = held(path)
    assert len(after) == report.salvaged.readings == counted(journal)
    assert set(after) <= before
    series = with_series(journal)
    assert journal.commit(Batch(rows=[good(NOW, series[0])]), NOW).stored == 1
    journal.tidy(NOW)
    assert counted(journal) == len(after) + 1
    journal.close()
    sound(path)


@pytest.mark.slow
def test_only_what_stood_on_lost_pages_is_lost(home: Path) -> None:
    """Lost leaves of the readings cost their own readings; everything before, after and between them is saved."""
    path = home / "traywarden.db"
    before = held(path)
    leaves = readings_pages(path)
    source = random.Random(1)  # noqa: S311 - samples, no secrets
    for page in (leaves[10], leaves[len(leaves) // 2], leaves[-10]):
        overwrite(path, page, source)
    journal, report = open_journal(path, ZONE, NOW)
    journal.close()
    assert report is not None
    assert report.salvaged.incomplete == ("readings",)
    assert len(before) - 150 <= report.salvaged.readings < len(before)
    assert str(report.salvaged.readings) in str(report)
    assert report.aside.name in str(report)


@pytest.mark.slow
def test_everything_else_is_saved_too(home: Path) -> None:
    """Alarms, history, messages, counters, summaries and the horizon of retention are in the new file."""
    path = home / "traywarden.db"
    tables = (
        "series",
        "alarm_states",
        "alarm_history",
        "outbox",
        "unplaced",
        "rejected",
        "arrivals",
        "events",
        "hourly",
        "diary",
        "brews",
    )
    before = dump(path, *tables, "daily", "latest")
    overwrite(path, readings_pages(path)[10], random.Random(1))  # noqa: S311 - samples, no secrets
    journal, report = open_journal(path, ZONE, NOW)
    assert report is not None
    assert dump(path, *tables, "daily", "latest") == before
    assert report.salvaged.others["alarm_history"] == 20
    assert journal.commit(Batch(rows=[good(T0 + 5, 1)]), NOW).too_old == 1
    assert journal.meta()["link_ms"] == str(T0 + 6 * DAY + 19)
    journal.close()


def test_readings_of_a_lost_series_entry_keep_their_number(home: Path) -> None:
    """Where the table of series is lost, its numbers are not given to new series: nothing is mixed up."""
    path = home / "traywarden.db"
    with closing(sqlite3.connect(path)) as db:
        (root,) = db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'series'").fetchone()
    overwrite(path, root - 1, random.Random(3))  # noqa: S311 - samples, no secrets
    journal, report = open_journal(path, ZONE, NOW)
    assert report is not None
    assert "series" in report.salvaged.incomplete
    assert with_series(journal) == [4, 5, 6]
    journal.close()
    with Reader(path) as reader:
        assert [series.probe for series in reader.series()][:3] == ["lost-1", "lost-2", "lost-3"]


def schema_pages(path: Path) -> list[int]:
    """Numbers, from 1, of the pages that hold the schema: the first one and those below it."""
    data = path.read_bytes()
    kept = FilePages(memoryview(data), PAGE_BYTES)
    return sorted({1, *(row.page for row in kept.rows(1))})


@pytest.mark.slow
@pytest.mark.parametrize("which", ["the first", "one below it", "all"])
def test_nothing_is_lost_with_the_schema(home: Path, which: str) -> None:
    """Where the pages are gone on which the database says what it holds, every row of every table is still there."""
    path = home / "traywarden.db"
    tables = ("alarm_states", "alarm_history", "outbox", "events", "diary", "brews", "meta", "series")
    before = held(path)
    others = dump(path, *tables)
    pages = schema_pages(path)
    for page in {"the first": pages[:1], "one below it": pages[1:2], "all": pages}[which]:
        overwrite(path, page - 1, random.Random(page))  # noqa: S311 - samples, no secrets
    journal, report = open_journal(path, ZONE, NOW)
    journal.close()
    assert report is not None
    assert (report.salvaged.incomplete, report.salvaged.lost) == ((), None)
    assert held(path) == before
    assert dump(path, *tables) == others
    sound(path)


@pytest.mark.slow
def test_many_pages_lost_cost_their_own_rows_and_the_report_says_how_many(home: Path) -> None:
    """Forty pages at random, the schema among them: exactly the readings that stood on them are lost, and the report
    says how many and from when to when."""
    path = home / "traywarden.db"
    before = set(held(path))
    source = random.Random(7)  # noqa: S311 - samples, no secrets
    wrecked = {1, *source.sample(range(2, path.stat().st_size // PAGE_BYTES), 40)}
    kept = FilePages(memoryview(path.read_bytes()), PAGE_BYTES)
    gone = {row.rowid for page in wrecked for row in kept.leaf_rows(page)}
    for page in wrecked:
        overwrite(path, page - 1, source)
    journal, report = open_journal(path, ZONE, NOW)
    journal.close()
    assert report is not None
    after = set(held(path))
    assert after <= before
    lost = before - after
    times = [int(str(row[0])) for row in lost]
    assert {t << SERIES_BITS | int(str(row[1])) for t, row in zip(times, lost, strict=True)} <= gone
    assert report.salvaged.lost is not None
    assert report.salvaged.lost.readings == len(lost) > 0
    assert report.salvaged.lost.since_ms <= min(times)
    assert report.salvaged.lost.until_ms > max(times)
    assert f"; {len(lost)} readings from 2026-03-" in str(report)


@pytest.mark.slow
def test_without_a_map_the_readings_at_least_come_back(home: Path) -> None:
    """The map lost too: readings are known by their own form. What retention deleted does not come back with them."""
    path = home / "traywarden.db"
    before = held(path)
    (home / "traywarden.db.map").unlink()
    overwrite(path, 0, random.Random(1))  # noqa: S311 - samples, no secrets
    journal, report = open_journal(path, ZONE, NOW)
    journal.close()
    assert report is not None
    assert set(before) <= set(held(path))
    assert "series" in report.salvaged.incomplete


@pytest.mark.slow
@pytest.mark.parametrize("what", ["text", "zeroed head", "cut short"])
def test_files_beyond_reading_start_anew(home: Path, what: str) -> None:
    """A file that is no database any more is kept, and an empty journal goes on."""
    path = home / "traywarden.db"
    data = path.read_bytes()
    wrecks = {
        "text": b"no database " * 900,
        "zeroed head": bytes(4096) + data[4096:],
        "cut short": data[: len(data) // 2],
    }
    path.write_bytes(wrecks[what])
    journal, report = open_journal(path, ZONE, NOW)
    assert report is not None
    assert report.aside.read_bytes() == wrecks[what]
    assert len(with_series(journal)) == 3
    journal.close()
    sound(path)


def test_a_large_file_is_checked_without_reading_it_all(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the size where every page is looked at, damage to the small tables and to either end is still found."""
    path = home / "traywarden.db"
    monkeypatch.setattr(damage, "_WHOLE_CHECK_BYTES", 10_000)
    check(path)
    whole = path.read_bytes()
    for table in ("alarm_states", "outbox", "hourly", "readings"):
        with closing(sqlite3.connect(path)) as db:
            (root,) = db.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)).fetchone()
        overwrite(path, root - 1, random.Random(2))  # noqa: S311 - samples, no secrets
        with pytest.raises(JournalDamaged):
            check(path)
        path.write_bytes(whole)


def test_damage_met_while_running_is_told_and_can_be_set_aside(home: Path) -> None:
    """A commit on a damaged page raises JournalDamaged; after closing, the file is set aside and work goes on."""
    path = home / "traywarden.db"
    with closing(sqlite3.connect(path)) as db:
        (root,) = db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'alarm_states'").fetchone()
    overwrite(path, root - 1, random.Random(5))  # noqa: S311 - samples, no secrets
    with opened(home) as journal:
        with pytest.raises(JournalDamaged) as damaged:
            journal.commit(full_batch(1, NOW), NOW)
        assert counted(journal) == len(held(path))
    report = set_aside(path, ZONE, NOW, damaged.value.reason)
    assert report.salvaged.incomplete == ("alarm_states",)
    with opened(home) as journal:
        assert journal.commit(full_batch(1, NOW), NOW).stored == 2


@pytest.mark.slow
def test_no_room_to_salvage_leaves_the_damaged_file_in_place(home: Path) -> None:
    """Where the disk is too full for a new file, nothing changes, and the next try does it."""
    path = home / "traywarden.db"
    before = held(path)
    overwrite(path, readings_pages(path)[10], random.Random(1))  # noqa: S311 - samples, no secrets
    broken = path.read_bytes()
    with no_file_beyond(200_000), pytest.raises(JournalStalled):
        open_journal(path, ZONE, NOW)
    assert path.read_bytes() == broken
    names = {"traywarden.db", "traywarden.db-wal", "traywarden.db-shm", "traywarden.db.map"}
    assert {found.name for found in home.iterdir()} <= names
    journal, report = open_journal(path, ZONE, NOW)
    journal.close()
    assert report is not None
    assert report.salvaged.readings > 0.95 * len(before)
    assert sorted(found.name for found in home.iterdir()) == ["traywarden.db", report.aside.name, "traywarden.db.map"]
