"""The table of upkeep: what is due when, whatever the time of day does."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.watch.upkeep import Schedule, daily, every, usual_times

MORNING_MS = 1_772_438_400_000
"""2026-03-02T08:00Z"""
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
STEPS_S = st.lists(st.floats(0.01, 1e6), min_size=1, max_size=40)


def at_ms(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


@given(steps_s=STEPS_S)
def test_an_interval_is_due_once_however_often_it_was_missed(steps_s: list[float]) -> None:
    """Done whenever it is due: never twice within its time, and once right after each look that came later."""
    now_s, done_s = 0.0, 0.0
    schedule = Schedule({"tidy": every(300)}, now_s, MORNING_MS)
    for step_s in steps_s:
        now_s += step_s
        due = schedule.due(now_s, MORNING_MS) == ["tidy"]
        assert due == (now_s - done_s >= 300 - 1e-5) or abs(now_s - done_s - 300) < 1e-3
        if due:
            schedule.done("tidy", now_s, MORNING_MS)
            assert schedule.due(now_s, MORNING_MS) == []
            done_s = now_s


@given(now_ms=st.integers(0, 253_370_764_800_000), then_ms=st.integers(0, 253_370_764_800_000))
def test_intervals_go_by_the_clock_that_never_steps(now_ms: int, then_ms: int) -> None:
    """From 1970 to the present or back again: nothing is due before its seconds have passed, and it is after them."""
    schedule = Schedule({"tidy": every(300)}, 1_000.0, now_ms)
    assert schedule.due(1_299.0, then_ms) == []
    assert schedule.due(1_301.0, then_ms) == ["tidy"]


def test_a_clock_set_from_1970_brings_the_daily_thing_once() -> None:
    """Not once for each of 56 years: a board without a clock of its own starts there."""
    schedule = Schedule({"retention": daily(3, 17)}, 5.0, 0)
    assert schedule.due(6.0, MORNING_MS) == ["retention"]
    schedule.done("retention", 6.0, MORNING_MS)
    assert schedule.due(7.0, MORNING_MS) == []


@pytest.mark.parametrize(
    ("started", "not_yet", "due"),
    [
        ("2026-03-02T08:00", "2026-03-03T03:16:59", "2026-03-03T03:17:00"),
        ("2026-03-02T03:16:59", "2026-03-02T03:16:59.900", "2026-03-02T03:17:00"),
        ("2026-03-02T03:17:00", "2026-03-03T03:16:59", "2026-03-03T03:17:00"),
        ("2027-03-02T08:00", "2026-03-03T03:16:59", "2026-03-03T03:17:00"),  # set back by a year
    ],
)
def test_a_daily_thing_is_due_at_its_time(started: str, not_yet: str, due: str) -> None:
    """At that minute in UTC, also where the clock was ahead when the collector started."""
    schedule = Schedule({"retention": daily(3, 17)}, 0.0, at_ms(started))
    assert schedule.due(1.0, at_ms(started) if not_yet > started else at_ms("2026-03-02T08:00")) == []
    assert schedule.due(2.0, at_ms(not_yet)) == []
    assert schedule.due(3.0, at_ms(due)) == ["retention"]


def test_what_is_due_stays_due_until_it_is_done_and_comes_in_the_order_of_the_table() -> None:
    """What cannot be done now is not forgotten, and does not pile up."""
    schedule = Schedule({"requests": every(1), "tidy": every(300), "files": every(2)}, 0.0, MORNING_MS)
    for later_s in (700.0, 1_400.0):
        assert schedule.due(later_s, MORNING_MS) == ["requests", "tidy", "files"]
    schedule.done("tidy", 1_400.0, MORNING_MS)
    assert schedule.due(1_400.0, MORNING_MS) == ["requests", "files"]


def test_what_is_asked_for_is_due_at_once_and_counts_for_the_table() -> None:
    """Asked for twice it is done once; something with no time in the table is due only when asked for."""
    schedule = Schedule({"tidy": every(300)}, 0.0, MORNING_MS)
    for name in ("reload", "tidy", "tidy"):
        schedule.ask(name)
    assert schedule.due(200.0, MORNING_MS) == ["reload", "tidy"]
    schedule.done("reload", 200.0, MORNING_MS)
    schedule.done("tidy", 200.0, MORNING_MS)
    assert schedule.due(499.0, MORNING_MS) == []
    assert schedule.due(501.0, MORNING_MS) == ["tidy"]


def test_a_wait_lasts_until_the_interval_is_over() -> None:
    """For the loop, which may rest that long; none where it is overdue."""
    schedule = Schedule({"requests": every(0.5)}, 10.0, MORNING_MS)
    assert schedule.wait_s("requests", 10.2) == pytest.approx(0.3, abs=1e-3)
    assert schedule.wait_s("requests", 12.0) == 0.0


def test_on_a_faster_clock_reports_are_looked_for_more_often() -> None:
    """In the demo a minute of lab time passes in a moment; once a second is often enough."""
    for pace, every_s in ((1.0, 60.0), (10.0, 6.0), (10_000.0, 1.0)):
        schedule = Schedule(usual_times(pace), 0.0, MORNING_MS)
        assert schedule.wait_s("reports", 0.0) == pytest.approx(every_s)
