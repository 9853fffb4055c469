"""When a tray falls below a limit, and where to leave it so that it does not."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.husbandry.ahead import DAY_MS, Course, Dryness, Expected, falls_below, level_to_leave_at
from tests.worlds.values import T0

NOW = T0
FRIDAY_TO_MONDAY = NOW + 3 * DAY_MS
DRYING = Course(level=75.0, per_day=-2.0, low_per_day=-2.5, high_per_day=-1.5)


def test_where_a_tray_will_be_is_its_line_and_the_ends_of_its_interval() -> None:
    """Three days at 2 % a day from 75 % is 69 %, and between 67.5 % and 70.5 %."""
    assert DRYING.after(3) == Expected(69.0, 67.5, 70.5)


def test_a_drying_tray_is_told_by_the_early_end_of_its_interval() -> None:
    """From 75 % to 70 % at 2 % a day takes 2.5 days; at the fast end, 2.5 % a day, 2 days."""
    found = falls_below(DRYING, 70.0, NOW, FRIDAY_TO_MONDAY)
    assert found == Dryness(70.0, NOW + 5 * DAY_MS // 2, NOW + 2 * DAY_MS)


@pytest.mark.parametrize(
    "course",
    [
        Course(level=75.0, per_day=0.0, low_per_day=-0.1, high_per_day=0.1),
        Course(level=75.0, per_day=1.0, low_per_day=0.5, high_per_day=1.5),
        Course(level=75.0, per_day=-2.0, low_per_day=-9.0, high_per_day=0.0),
    ],
    ids=["steady", "rising", "not sure to fall"],
)
def test_what_may_not_fall_at_all_is_not_foretold(course: Course) -> None:
    """Only a course whose whole interval falls has a day on which it is too dry."""
    assert falls_below(course, 70.0, NOW, FRIDAY_TO_MONDAY) is None


def test_what_falls_below_only_after_the_end_is_not_foretold() -> None:
    """60 % would take six days at the fast end; somebody is back by then."""
    assert falls_below(DRYING, 60.0, NOW, FRIDAY_TO_MONDAY) is None


@pytest.mark.parametrize("level", [60.0, 59.9])
def test_a_tray_below_the_limit_is_below_it_now(level: float) -> None:
    """Whatever its course."""
    assert falls_below(
        Course(level=level, per_day=1.0, low_per_day=0.5, high_per_day=1.5), 60.0, NOW, NOW + 1
    ) == Dryness(60.0, NOW, NOW)


def test_a_course_that_hardly_falls_stays_in_the_calendar() -> None:
    """A crossing in thousands of years is bounded, not a number too large for a date."""
    found = falls_below(
        Course(level=75.0, per_day=-1e-9, low_per_day=-1e-8, high_per_day=-1e-12), 70.0, NOW, NOW + 100_000 * DAY_MS
    )
    assert found is not None
    assert found.about_ms == NOW + 3_653 * DAY_MS


def test_a_tray_is_left_wet_enough_for_the_fast_end_of_its_drying() -> None:
    """To be at 70 % after three days at 2.5 % a day it must start at 77.5 %."""
    assert level_to_leave_at(DRYING, 70.0, 85.0, 3) == 77.5


def test_no_tray_is_left_wetter_than_the_ceiling() -> None:
    """Ten days would need 95 %: 85 % is what a tray can bear."""
    assert level_to_leave_at(DRYING, 70.0, 85.0, 10) == 85.0


@given(st.floats(40, 95), st.floats(-10, 10), st.floats(0, 5), st.floats(0, 5), st.floats(0, 30))
def test_where_to_leave_a_tray_is_never_drier_than_it_is(
    level: float, per_day: float, below: float, above: float, days: float
) -> None:
    """Advice adds water or nothing; and what reaches the floor, reaches it at the fast end too."""
    course = Course(level=level, per_day=per_day, low_per_day=per_day - below, high_per_day=per_day + above)
    left = level_to_leave_at(course, 70.0, 85.0, days)
    assert left >= level
    if level < left < 85.0:
        assert left + min(0.0, course.low_per_day) * days == pytest.approx(70.0)
