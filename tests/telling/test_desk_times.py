"""Waking hours, holidays and changes of the clock against the time to respond; the space between messages."""

from dataclasses import replace
from datetime import date

import pytest

from collector.alarms.model import AlarmKey, Event, Priority, State, Transition
from collector.domain.hours import Hours
from collector.domain.lab import Telling
from collector.domain.schooldays import SchoolDays
from collector.telling.desk_times import GAPS_MS, HOUR_MS, due_ms, free_ms, reminder_gap_ms, turn_ms
from tests.telling.desk_world import LOW, MEDIUM, WEEK, ZONE, at, rule, telling
from tests.worlds.values import DAY, HOUR, MIN

NEW_YEAR = SchoolDays(closed=((date(2025, 12, 22), date(2026, 1, 2)), (date(2025, 11, 27), date(2025, 11, 28))))


def raised(t_ms: int, since_ms: int | None = None) -> Transition:
    since_ms = t_ms if since_ms is None else since_ms
    key = AlarmKey("bedding-warm", 1)
    return Transition(
        key=key,
        event=Event.RAISED,
        before=State.NORMAL,
        after=State.UNACKNOWLEDGED,
        t_ms=t_ms,
        since_ms=since_ms,
        raised_ms=t_ms,
        value=31.0,
    )


@pytest.mark.parametrize(
    ("t_ms", "expected"),
    [
        (at(3, 3, 7), at(3, 3, 7)),  # a Monday, the first waking moment
        (at(3, 3, 12), at(3, 3, 12)),
        (at(3, 3, 21), at(3, 4, 7)),  # the first moment of the night
        (at(3, 4, 6, 59), at(3, 4, 7)),
        (at(3, 7, 22), at(3, 8, 9)),  # into a Saturday
        (at(3, 9, 20), at(3, 10, 7)),  # a Sunday evening
        (at(3, 8, 22), at(3, 9, 9)),  # into the night when the clocks go forward
        (at(11, 1, 22), at(11, 2, 9)),  # and back
        (at(11, 26, 22), at(11, 27, 9)),  # a Thursday that is a holiday: Sunday's hours
        (at(12, 23, 8), at(12, 23, 9)),
        (at(12, 23, 20, 30), at(12, 24, 9)),
    ],
)
def test_a_medium_alarm_waits_for_people_to_wake(t_ms: int, expected: int) -> None:
    """With two days to respond, on the clock of the lab."""
    how = telling(school=NEW_YEAR)
    assert due_ms(rule("bedding-warm", Priority.MEDIUM, 2 * DAY), how, raised(t_ms), t_ms) == expected


@pytest.mark.parametrize(
    ("t_ms", "until_waking"),
    [
        (at(3, 3, 22), 9 * HOUR),
        (at(3, 8, 22), 10 * HOUR),  # 11 h on the clock, one of them skipped
        (at(11, 1, 22), 12 * HOUR),  # 11 h on the clock, one of them twice
    ],
)
def test_the_time_to_respond_beats_the_hours(t_ms: int, until_waking: int) -> None:
    """A minute more than the night: it waits. The night to the minute, or less: it goes now. It counts from when the
    condition began, not from when the alarm came."""
    how = telling()

    def due(respond_ms: int, since_ms: int) -> int:
        return due_ms(rule("bedding-warm", Priority.MEDIUM, respond_ms), how, raised(t_ms, since_ms), t_ms)

    assert due(until_waking + MIN, t_ms) == t_ms + until_waking
    assert due(until_waking, t_ms) == t_ms
    assert due(HOUR, t_ms) == t_ms
    assert due(until_waking + MIN, t_ms - MIN) == t_ms


def test_an_end_never_hurries() -> None:
    """Nothing runs out any more."""
    t_ms = at(3, 3, 22)
    short = rule("bedding-warm", Priority.MEDIUM, HOUR)
    assert due_ms(short, telling(), raised(t_ms), t_ms, ended=True) == at(3, 4, 7)


def test_where_nobody_ever_wakes_nothing_waits() -> None:
    """No waking hours at all: a medium alarm goes out as a high one does."""
    t_ms = at(3, 3, 22)
    assert due_ms(MEDIUM, Telling(waking=Hours(week=((),) * 7, zone=ZONE)), raised(t_ms), t_ms) == t_ms


def test_high_and_low_know_no_hours() -> None:
    """High calls at night; low is left for the digest at once."""
    t_ms = at(3, 3, 3)
    assert due_ms(rule(), telling(), raised(t_ms), t_ms) == due_ms(LOW, telling(), raised(t_ms), t_ms) == t_ms


def test_a_whole_break_is_slept_through_by_sundays_hours() -> None:
    """Each day of the holidays has a waking moment at nine."""
    how = Telling(waking=Hours(week=WEEK, zone=ZONE).with_holidays(NEW_YEAR, WEEK[6]))
    days = [at(12, day, 3) for day in range(22, 32)]
    patient = rule("bedding-warm", Priority.MEDIUM, 2 * DAY)
    assert [due_ms(patient, how, raised(t_ms), t_ms) for t_ms in days] == [t_ms + 6 * HOUR for t_ms in days]


@pytest.mark.parametrize(("turn", "percent", "expected"), [(1, 40, 0), (2, 40, 96), (3, 40, 192), (3, 25, 120)])
def test_a_turn_comes_after_its_share(turn: int, percent: float, expected: int) -> None:
    """Of 4 h, in minutes."""
    assert turn_ms(rule(), telling(percent), raised(at(3, 3, 12)), turn) == at(3, 3, 12) + expected * MIN


def test_what_waits_for_the_morning_is_passed_on_from_then() -> None:
    """Raised at 1:00 with 12 h to respond, told at 7:00: the next turn hears after 40 % of the 6 h that are left, and
    not in the same minute as the first. Of what waits longer than there is time, after 40 % of all of it."""
    medium = rule("bedding-dry", Priority.MEDIUM, 12 * HOUR)
    assert turn_ms(medium, telling(), raised(at(3, 4, 1)), 1) == at(3, 4, 7)
    assert turn_ms(medium, telling(), raised(at(3, 4, 1)), 2) == at(3, 4, 9, 24)
    waits = replace(rule("tea-stale", Priority.MEDIUM, 4 * HOUR), waits_for_morning=True)
    assert turn_ms(waits, telling(), raised(at(3, 4, 1)), 2) == at(3, 4, 8, 36)


@pytest.mark.parametrize(
    ("respond_h", "acknowledged", "gaps"),
    [
        (0, False, (0.5, 1, 2, 4, 8, 16, 24, 24)),
        (4, False, (2, 4, 8, 16, 24)),
        (4, True, (4, 8, 16, 24)),
        (12, True, (12, 24, 24)),
        (72, True, (24, 24)),
    ],
)
def test_reminders_come_ever_later_and_once_a_day_at_last(
    respond_h: int, acknowledged: bool, gaps: tuple[float, ...]
) -> None:
    """In hours, from the time to respond."""
    which = rule(respond_ms=respond_h * HOUR)
    assert [reminder_gap_ms(which, acknowledged, n) / HOUR for n in range(len(gaps))] == list(gaps)
    assert reminder_gap_ms(which, acknowledged, 10**6) == 24 * HOUR


def test_messages_to_one_person_keep_their_distance() -> None:
    """0, 1, 3, 6, 10, 10, ... minutes: eight in the first hour at most, six in each later one; what is older than an
    hour or not yet past counts for nothing."""
    sent: list[int] = []
    for _ in range(30):
        sent.append(free_ms(sent, sent[-1] if sent else 0))
    assert [ms // MIN for ms in sent[:9]] == [0, 1, 4, 10, 20, 30, 40, 50, 60]
    assert max(sum(begin <= ms < begin + HOUR_MS for ms in sent) for begin in sent) == 8
    assert sum(10 * HOUR_MS > ms >= HOUR_MS for ms in sent) <= 6 * 9
    assert free_ms([0], HOUR_MS) == HOUR_MS
    assert free_ms([5 * MIN], 2 * MIN) == 2 * MIN
    assert GAPS_MS[-1] == 10 * MIN  # as long as something urgent ever waits


def test_what_waits_for_morning_never_rings_at_night() -> None:
    """Also where the time to respond runs out before anybody wakes: nothing is lost by it."""
    from_two = raised(at(3, 4, 2))
    brief = rule("tea-stale", Priority.MEDIUM, 4 * HOUR)
    assert due_ms(brief, telling(), from_two, from_two.t_ms) == from_two.t_ms
    waits = replace(brief, waits_for_morning=True)
    assert due_ms(waits, telling(), from_two, from_two.t_ms) == at(3, 4, 7)
    assert due_ms(waits, telling(), raised(at(3, 3, 12)), at(3, 3, 12)) == at(3, 3, 12)
