"""A clock that was wrong for a while costs no reading: neither those that are held nor those that come after it."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.store.batch import Batch
from collector.store.journal import Journal
from collector.store.retention import Moment, believed_ms
from tests.store.samples import DAY, HOUR, T0, ZONE, good, held, minutes, opened, with_series

KEEP = 30
YEARS = 3 * 365 * DAY


def reopened(folder: Path, now_ms: int) -> Journal:
    return Journal(folder / "traywarden.db", ZONE, now_ms)


def daily(journal: Journal, start_ms: int, days: int, ahead_ms: int = 0, from_s: float = 0.0) -> None:
    """Retention each day of a process that has run since `from_s`, under a clock that is ahead."""
    for n in range(days):
        journal.retention(start_ms + n * DAY + ahead_ms, KEEP, running_s=from_s + n * 86_400.0)


@pytest.mark.parametrize("ahead", [31 * DAY, YEARS], ids=["31 days", "3 years"])
def test_a_clock_that_was_ahead_deletes_nothing_and_refuses_nothing(tmp_path: Path, ahead: int) -> None:
    """Retention runs by itself while the clock is ahead, over a restart too; back at the right time everything that was
    held is held, and every reading that comes is stored."""
    with opened(tmp_path) as journal:
        series = with_series(journal)
        journal.commit(Batch(rows=minutes(series, 24 * 60)), T0)
        daily(journal, T0 + DAY, 3)
    before = held(tmp_path / "traywarden.db")
    with reopened(tmp_path, T0 + 4 * DAY + ahead) as journal:
        daily(journal, T0 + 4 * DAY, 3, ahead, 600.0)
    with reopened(tmp_path, T0 + 7 * DAY) as journal:
        result = journal.commit(Batch(rows=[good(T0 + 7 * DAY + n, series[0]) for n in range(5)]), T0 + 7 * DAY)
    assert (result.stored, result.too_old) == (5, 0)
    assert set(before) <= set(held(tmp_path / "traywarden.db"))


def test_a_horizon_that_such_a_clock_left_behind_is_taken_back(tmp_path: Path) -> None:
    """By how many days were to be kept when it was set."""
    with opened(tmp_path) as journal:
        series = with_series(journal)[0]
        journal.retention(T0 + YEARS, KEEP)
        assert journal.commit(Batch(rows=[good(T0, series)]), T0).too_old == 1
    with reopened(tmp_path, T0) as journal:
        assert journal.commit(Batch(rows=[good(T0 + 1, series)]), T0).stored == 1


def test_what_is_really_old_goes_all_the_same(tmp_path: Path) -> None:
    """In a process that runs for months, and in one that was off over the summer and catches up."""
    with opened(tmp_path) as journal:
        series = with_series(journal)[:1]
        journal.commit(Batch(rows=minutes(series, 10 * 24 * 60)), T0)
        daily(journal, T0 + 10 * DAY, 25)
        oldest = min(int(str(row[0])) for row in held(tmp_path / "traywarden.db"))
        assert T0 + 3 * DAY < oldest < T0 + 5 * DAY
    with reopened(tmp_path, T0 + 110 * DAY) as journal:
        for n in range(60):
            while journal.retention(T0 + (110 + n) * DAY, KEEP, running_s=3_600.0 + n * 86_400.0).more:
                pass
    assert held(tmp_path / "traywarden.db") == []


@given(
    steps=st.lists(st.tuples(st.integers(0, 40 * HOUR), st.integers(-YEARS, YEARS), st.booleans()), max_size=20),
    newest=st.none() | st.integers(T0 - DAY, T0),
)
def test_the_present_is_never_believed_further_than_time_can_have_passed(
    steps: list[tuple[int, int, bool]], newest: int | None
) -> None:
    """Whatever the clock says, and however often the machine starts anew: a day for each call and the running time at
    most, never more than the clock says, and no day of grace where the clock was seen to step."""
    true_ms, running_s, last, last_ms = T0, 0.0, None, T0
    for calls, (passed, off, restart) in enumerate(steps, start=1):
        true_ms += passed
        running_s = passed / 1000 if restart else running_s + passed / 1000
        last = None if restart else last
        at = Moment(true_ms + off, running_s)
        believed = believed_ms(last_ms, last, at, newest)
        assert believed <= at.now_ms
        assert believed <= true_ms + calls * DAY + 1_000
        last, last_ms = at, max(believed, last_ms)
    assert believed_ms(None, None, Moment(T0 + YEARS, 0.0), newest) == (T0 + YEARS if newest is None else newest + DAY)
