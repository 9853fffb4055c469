"""The slow check of the journal in use: what lies damaged is found before it is needed, and nothing else is."""

import random
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from collector.store.batch import Batch
from collector.store.connection import PAGE_BYTES
from collector.store.errors import JournalDamaged, JournalStalled
from collector.store.journal import Journal
from collector.store.repair import slow_check
from collector.store.repair.slow_check import STEP_ROWS, TRIES, WHOLE, SlowCheck
from tests.store.samples import DAY, T0, ZONE, full_batch, good, message, minutes, opened, with_series
from tests.store.test_damage import overwrite, readings_pages

ROWS = 3 * 2_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A closed journal with something in every table, every page of it in use."""
    with opened(tmp_path) as journal:
        series = with_series(journal, 3)
        journal.commit(Batch(rows=minutes(series, ROWS // 3)), T0)
        for n in range(30):
            journal.commit(full_batch(series[0], T0 + 5 * DAY + n), T0 + 5 * DAY)
        while journal.tidy(T0 + 6 * DAY).left:
            pass
    found = tmp_path / "traywarden.db"
    with closing(sqlite3.connect(found)) as db:
        assert db.execute("PRAGMA freelist_count").fetchone() == (0,)
    return found


@pytest.fixture
def journal(path: Path) -> Iterator[Journal]:
    with Journal(path, ZONE, T0) as journal:
        yield journal


def one_round(check: SlowCheck) -> list[float]:
    """Seconds of each step until the whole was looked at."""
    took, before = [], check.rounds
    while check.rounds == before:
        began_s = time.perf_counter()
        check.step()
        took.append(time.perf_counter() - began_s)
    return took


def found(path: Path, page: int, source: random.Random) -> bool:
    """Whether the page, counted from 0, is found damaged within a round; the file is as before afterwards."""
    whole = path.read_bytes()
    overwrite(path, page, source)
    try:
        one_round(SlowCheck(path))
    except JournalDamaged:
        return True
    finally:
        path.write_bytes(whole)
    return False


@pytest.mark.slow
def test_every_page_that_is_lost_is_found_within_a_round(path: Path) -> None:
    """Of readings, of other tables and of their indexes: every third, beside the roots, the first page of the schema
    among them."""
    source = random.Random(0)  # noqa: S311 - samples, no secrets
    pages = range(0, path.stat().st_size // PAGE_BYTES, 3)
    assert [page for page in pages if not found(path, page, source)] == []


def test_the_root_of_every_table_and_index_is_looked_at(path: Path) -> None:
    """Whatever the schema names."""
    source = random.Random(9)  # noqa: S311 - samples, no secrets
    with closing(sqlite3.connect(path)) as db:
        roots = dict(db.execute("SELECT name, rootpage FROM sqlite_master WHERE rootpage > 0"))
    assert len(roots) > 25
    assert [name for name, root in roots.items() if not found(path, root - 1, source)] == []


def test_rows_in_disorder_are_found(path: Path) -> None:
    """A page of readings that holds an older page's bytes reads well, and its rows come at the wrong place."""
    pages, data = readings_pages(path), path.read_bytes()
    older = data[pages[3] * PAGE_BYTES : (pages[3] + 1) * PAGE_BYTES]
    with path.open("r+b") as file:
        file.seek(pages[20] * PAGE_BYTES)
        file.write(older)
    with pytest.raises(JournalDamaged, match="rows of readings in disorder"):
        one_round(SlowCheck(path))


def test_nothing_is_found_in_a_sound_journal_that_is_written_meanwhile(path: Path, journal: Journal) -> None:
    """Commits, tidying, deletions and checkpoints between all steps: round after round without a word."""
    check, n = SlowCheck(path), 0
    while check.rounds < 3:
        check.step()
        n += 1
        journal.commit(Batch(rows=[good(T0 + 6 * DAY + n, 1 + n % 3)], messages=[message(f"m{n}")]), T0)
        if n % 5 == 0:
            journal.tidy(T0 + 6 * DAY + n * 40 * 60_000)
            journal.retention(T0 + 30 * DAY, keep_days=29, at_most=300)
    assert n > 3 * ROWS / STEP_ROWS


def test_a_step_is_short_however_large_the_file_is(path: Path, journal: Journal) -> None:
    """By rows, and by bytes where rows are long: no step of a round takes longer than a commit may wait, and a file
    twice as large takes more steps, not longer ones."""
    steps = one_round(SlowCheck(path))
    assert len(steps) > ROWS / STEP_ROWS
    letters = [replace(message(f"long-{n}"), body="x" * 40_000) for n in range(60)]
    journal.commit(Batch(rows=minutes([4], ROWS), messages=letters), T0)
    more = one_round(SlowCheck(path))
    assert len(more) > len(steps) + ROWS / STEP_ROWS + 60 * 40_000 / 200_000
    assert sorted(more)[-2] < 0.25


def test_what_cannot_be_read_now_is_put_off(path: Path) -> None:
    """A file that is gone for the moment is no damage; the next steps go on where it stood."""
    check = SlowCheck(path)
    check.step()
    path.rename(path.with_name("away"))
    with pytest.raises(JournalStalled):
        check.step()
    path.with_name("away").rename(path)
    one_round(check)
    assert check.unread == set()


class BadPlace(sqlite3.Connection):
    """To a file of which one table lies where the disk cannot be read."""

    def execute(self, sql: str, values: Any = (), /) -> sqlite3.Cursor:
        if '"outbox"' in sql:
            error = sqlite3.OperationalError("disk I/O error")
            error.sqlite_errorcode = sqlite3.SQLITE_IOERR_READ
            raise error
        return super().execute(sql, values)


def steps_of_a_round(check: SlowCheck) -> tuple[int, int]:
    """How many could read, and how many could not."""
    could, could_not, before = 0, 0, check.rounds
    while check.rounds == before and could_not < 99:
        try:
            check.step()
            could += 1
        except JournalStalled:
            could_not += 1
    return could, could_not


def test_what_cannot_be_read_for_a_minute_is_known_until_it_can(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One table on a bad place of the disk: all others are looked at, and it counts until it was read whole."""
    check = SlowCheck(path)
    whole, _ = steps_of_a_round(check)
    with monkeypatch.context() as patched:
        patched.setattr(
            slow_check,
            "open_as_it_is",
            lambda path, options, _: sqlite3.connect(f"file:{path}?{options}", uri=True, factory=BadPlace),
        )
        could, could_not = steps_of_a_round(check)
    assert (check.unread, could_not) == ({"outbox"}, TRIES)
    assert could > whole - 4
    steps_of_a_round(check)
    assert check.unread == set()


def test_a_file_that_is_gone_for_a_minute_is_known(path: Path) -> None:
    """Not even its tables can be listed; the first look that can clears it."""
    check = SlowCheck(path)
    path.rename(path.with_name("away"))
    for _ in range(TRIES):
        assert check.unread == set()
        with pytest.raises(JournalStalled):
            check.step()
    assert check.unread == {WHOLE}
    path.with_name("away").rename(path)
    check.step()
    assert check.unread == set()
