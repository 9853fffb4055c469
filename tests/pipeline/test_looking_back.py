"""What a start holds of what is stored: many channels that report often must not need memory for all of a week."""

import gc
import time
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from collector.config.home import Home
from collector.domain.quality import memory_from_rows
from collector.pipeline.building import build_pipeline
from collector.pipeline.looking_back import LookedBackOn, look_back
from collector.pipeline.notices import Outlet
from collector.store.batch import Batch
from collector.store.journal import Journal
from collector.store.reader import Reader
from collector.store.tables.tails import Tail, joined
from tests.bench.lab import fill, make_home

_MIN_MS = 60_000


def _tail(minutes: range, flag: int = 1) -> Tail:
    t_ms = np.array(minutes, np.int64) * _MIN_MS
    flags = np.full(t_ms.size, flag, np.uint8)
    return Tail(t_ms=t_ms, value=t_ms / 7.0, flag=flags, why=np.zeros(t_ms.size, np.uint16))


@pytest.fixture(scope="module")
def week(tmp_path_factory: pytest.TempPathFactory) -> tuple[Home, int]:
    """A lab of 18 channels with a week of readings each minute; how many these are."""
    folder = tmp_path_factory.mktemp("week") / "home"
    make_home(folder)
    return Home(folder), fill(folder, 7)


def _build(home: Home) -> None:
    """Everything from the journal, as a start does."""
    now_ms = time.time_ns() // 1_000_000
    lab, rules = home.load_lab(), home.load_rules()
    with Journal(home.database, lab.time_zone, now_ms) as journal:
        build_pipeline(lab, rules, journal, Outlet(), now_ms)


@pytest.mark.slow
def test_a_start_holds_no_more_than_alarms_look_back_on(week: tuple[Home, int]) -> None:
    """Under 40 bytes for each reading of the week that quality checks look back on, at its worst moment, with what the
    alarms then keep and the pieces on their way."""
    home, readings = week
    _build(home)  # whatever is made only once
    gc.collect()
    tracemalloc.start()
    _build(home)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < readings * 40


def test_rows_are_kept_as_far_back_as_asked_from_the_newest() -> None:
    """In pieces: those that lie wholly before are let go; the newest is always there, all count for quality."""
    past = LookedBackOn(60 * _MIN_MS)
    parts = [_tail(range(start, start + 30)) for start in range(0, 300, 30)]
    for part in parts:
        past.add(part)
    whole = joined(parts)
    assert past.quality == memory_from_rows(whole.t_ms, whole.value, whole.flag, whole.why)
    assert (past.newest.t_ms, past.newest.usable_ms) == (299 * _MIN_MS, 299 * _MIN_MS)
    assert past.rows().t_ms.tolist() == (np.arange(210, 300) * _MIN_MS).tolist()


def test_the_newest_usable_reading_is_known_even_where_its_rows_are_gone() -> None:
    """A probe that has sent its error code for longer than alarms look back."""
    past = LookedBackOn(10 * _MIN_MS)
    past.add(_tail(range(5)))
    past.add(_tail(range(5, 50), flag=9))
    assert (past.newest.t_ms, past.newest.usable_ms) == (49 * _MIN_MS, 4 * _MIN_MS)
    assert past.newest_reading(3).flag == 9
    assert past.rows().t_ms[0] == 5 * _MIN_MS


def test_pieces_of_the_journal_make_up_what_it_holds(tmp_path: Path) -> None:
    """By series, in order of time, however many pieces they come in; from a moment on, before another."""
    now_ms = 2_000_000 * _MIN_MS
    with Journal(tmp_path / "traywarden.db", "UTC", now_ms) as journal:
        journal.commit(
            Batch(rows=[(now_ms - n * 1_000, n % 3 + 1, float(n), 1, None, 0) for n in range(45_000)]), now_ms
        )
        found = look_back(journal, [1, 2], now_ms - 44_000_000, now_ms, 100_000_000)
    with Reader(tmp_path / "traywarden.db") as reader:
        asked = reader.recent([1, 2], now_ms - 44_000_000, now_ms + 1)
    assert found.keys() == {1, 2}
    rows = found[1].rows(), found[2].rows()
    assert [part.t_ms.size for part in rows] == [14_666, 14_667]
    assert rows[1].t_ms.tolist() == asked[2].t_ms.tolist()
    assert rows[0].value.tolist() == asked[1].value.tolist()[:-1]
