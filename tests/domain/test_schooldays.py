"""School days, holidays and the breaks between."""

from datetime import date, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.domain.schooldays import SchoolDays, Span, joined

WINTER = date(2026, 12, 21), date(2027, 1, 3)
"""Monday to Sunday."""
THANKS = date(2026, 11, 26), date(2026, 11, 26)
"""A Thursday."""
DAYS = st.dates(date(2026, 1, 1), date(2026, 3, 31))
SPANS = st.lists(st.tuples(DAYS, st.integers(0, 20)).map(lambda one: (one[0], one[0] + timedelta(one[1]))), max_size=4)


def days_in(spans: tuple[Span, ...] | list[Span]) -> set[date]:
    return {first + timedelta(n) for first, last in spans for n in range((last - first).days + 1)}


@pytest.mark.parametrize(
    ("day", "school", "holiday"),
    [
        (date(2026, 11, 25), True, False),
        (date(2026, 11, 26), False, True),
        (date(2026, 11, 27), True, False),
        (date(2026, 11, 28), False, False),
        (date(2026, 12, 20), False, False),
        (date(2026, 12, 21), False, True),
        (date(2027, 1, 3), False, True),
        (date(2027, 1, 4), True, False),
    ],
)
def test_school_days_are_weekdays_outside_of_holidays(day: date, school: bool, holiday: bool) -> None:
    """Both ends of a holiday are in it; a weekend is no school day and no holiday by itself."""
    lab = SchoolDays(closed=(THANKS, WINTER))
    assert (lab.is_school_day(day), lab.is_holiday(day)) == (school, holiday)


def test_where_terms_are_given_every_day_outside_is_a_holiday() -> None:
    """Summer needs no holiday of its own then, and a holiday inside a term is one all the same."""
    lab = SchoolDays(closed=(THANKS,), terms=((date(2026, 8, 24), date(2026, 12, 18)),))
    assert not lab.is_holiday(date(2026, 8, 24))
    assert not lab.is_holiday(date(2026, 12, 18))
    assert lab.is_holiday(date(2026, 8, 23))
    assert lab.is_holiday(date(2026, 12, 19))
    assert lab.is_holiday(THANKS[0])


def test_lessons_may_be_on_other_days() -> None:
    """A lab that opens on Saturdays alone."""
    lab = SchoolDays(weekdays=frozenset({5}))
    assert lab.is_school_day(date(2026, 11, 28))
    assert not lab.is_school_day(date(2026, 11, 27))
    assert lab.next_after(date(2026, 11, 28)) == date(2026, 12, 5)


def test_whether_any_day_may_be_a_holiday() -> None:
    """Holidays or terms; neither, none."""
    assert not SchoolDays().has_holidays
    assert SchoolDays(closed=(WINTER,)).has_holidays
    assert SchoolDays(terms=(WINTER,)).has_holidays


def test_the_next_school_day_and_the_days_before_it() -> None:
    """Over a night, a weekend, a holiday, a break with its weekends, and where nothing comes any more."""
    lab = SchoolDays(closed=(THANKS, WINTER))
    for day, following, off in (
        (date(2026, 11, 24), date(2026, 11, 25), 0),
        (date(2026, 11, 25), date(2026, 11, 27), 1),
        (date(2026, 11, 27), date(2026, 11, 30), 2),
        (date(2026, 12, 18), date(2027, 1, 4), 16),
    ):
        assert (lab.next_after(day), lab.break_after(day)) == (following, off)
    over = SchoolDays(terms=((date(2026, 8, 24), date(2026, 12, 18)),))
    assert (over.next_after(date(2026, 12, 18)), over.break_after(date(2026, 12, 18))) == (None, 400)
    assert SchoolDays(weekdays=frozenset()).next_after(date(2026, 12, 18)) is None


def test_the_next_break() -> None:
    """From the first day without its lessons to the one before the next school day; a holiday on a weekend is none."""
    saturday = date(2026, 11, 28), date(2026, 11, 28)
    lab = SchoolDays(closed=(saturday, THANKS, (date(2026, 12, 19), date(2027, 1, 1))))
    assert lab.next_break(date(2026, 11, 1)) == THANKS
    assert lab.next_break(date(2026, 11, 26)) == THANKS
    assert lab.next_break(date(2026, 11, 27)) == (date(2026, 12, 21), date(2027, 1, 3))
    assert lab.next_break(date(2026, 12, 30)) == (date(2026, 12, 30), date(2027, 1, 3))
    assert lab.next_break(date(2027, 1, 2)) is None
    assert SchoolDays().next_break(date(2026, 11, 1)) is None


@settings(max_examples=50)
@given(SPANS)
def test_joined_spans_hold_the_same_days_in_order_and_apart(spans: list[Span]) -> None:
    """Nothing is lost or added, and no two could be one."""
    found = joined(spans)
    assert days_in(found) == days_in(spans)
    assert all((later[0] - earlier[1]).days > 1 for earlier, later in pairwise(found))


@settings(max_examples=50)
@given(SPANS, SPANS, st.frozensets(st.integers(0, 6)), DAYS)
def test_breaks_are_made_of_days_that_are_no_school_days(
    closed: list[Span], terms: list[Span], weekdays: frozenset[int], day: date
) -> None:
    """Between a day and the next school day lies none; the next break begins with a holiday and ends before school."""
    lab = SchoolDays(weekdays, joined(closed), joined(terms))
    following, off = lab.next_after(day), lab.break_after(day)
    assert not any(lab.is_school_day(day + timedelta(n)) for n in range(1, off + 1))
    assert following is None or (lab.is_school_day(following) and following == day + timedelta(off + 1))
    found = lab.next_break(day)
    if found is not None:
        assert lab.is_holiday(found[0])
        assert not any(lab.is_school_day(one) for one in days_in([found]))
