"""When to commit: at once where it matters, within a budget where nothing happens."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from collector.watch.pacing import GATHER_S, MANY, MOST_SAVED, REFILL_S, Pacer

_GAPS = st.lists(st.floats(0.001, 30.0), min_size=1, max_size=200)


def commits(gaps: list[float], start: float = 0.0) -> tuple[list[float], list[float]]:
    """Single readings so far apart, each committed as soon as the pacer lets: (arrivals, commits)."""
    pacer = Pacer(start)
    now = start
    arrived, made = [], []
    waiting: float | None = None
    for gap in gaps:
        now += gap
        if waiting is not None:
            due = waiting + pacer.wait_s(waiting, waiting, 1, urgent=False)
            if due <= now:
                made.append(due)
                pacer.committed(due)
                waiting = None
        arrived.append(now)
        waiting = now if waiting is None else waiting
    return arrived, made


def test_what_is_urgent_or_many_is_committed_at_once() -> None:
    """An alarm, a message, a request; or as many as an ordinary broker sends ahead: no wait, even with none saved."""
    pacer = Pacer(0.0, saved=0.0)
    assert pacer.wait_s(0.0, 0.0, 1, urgent=True) == 0
    assert pacer.wait_s(0.0, 0.0, MANY, urgent=False) == 0
    assert pacer.wait_s(0.0, 0.0, MANY - 1, urgent=False) > 0
    assert MANY < 20


def test_one_test_reading_is_answered_within_a_quarter_second() -> None:
    """After quiet times a single reading waits only for others that may come with it."""
    pacer = Pacer(0.0)
    assert pacer.wait_s(5.0, 5.0, 1, urgent=False) == GATHER_S
    assert pacer.wait_s(5.0 + GATHER_S, 5.0, 1, urgent=False) == 0


@given(_GAPS, st.floats(-1e6, 1e6))
def test_commits_stay_within_the_budget(gaps: list[float], start: float) -> None:
    """In any stretch: what was saved up plus one each 20 s, however the readings come."""
    _, made = commits(gaps, start)
    for first in range(len(made)):
        for last in range(first, len(made)):
            allowed = MOST_SAVED + (made[last] - made[first]) / REFILL_S + 1 + 1e-6
            assert last - first + 1 <= allowed


@given(_GAPS)
def test_nothing_waits_longer_than_the_refill(gaps: list[float]) -> None:
    """No reading is held longer than the 20 s a commit takes to save up (and the quarter second to gather)."""
    pacer = Pacer(0.0, saved=0.0)
    now = 0.0
    for gap in gaps:
        now += gap
        wait = pacer.wait_s(now, now, 1, urgent=False)
        assert 0 <= wait <= REFILL_S + GATHER_S
        pacer.committed(now + wait)
        now += wait


def test_twenty_four_readings_a_minute_make_three_commits_a_minute() -> None:
    """The ordinary lab in the long run: one commit in 20 s, which is what the writes a day are reckoned with."""
    _, made = commits([2.5] * 24 * 60)
    last_half_hour = [at for at in made if at > 1_800]
    assert len(last_half_hour) <= 91
    assert max(later - earlier for earlier, later in pairwise(last_half_hour)) <= REFILL_S + 2.5


@given(_GAPS, st.floats(0.0, 1e4))
def test_a_clock_that_stands_still_or_steps_back_saves_nothing_up(gaps: list[float], back: float) -> None:
    """The budget never grows beyond its bound and never below nothing."""
    pacer = Pacer(0.0)
    now = 0.0
    for gap in gaps:
        now += gap
        pacer.committed(now)
        pacer.wait_s(now - back, now, 1, urgent=False)
        assert 0 <= pacer.saved <= MOST_SAVED
