"""When a tray falls below a limit, and where to leave it so that it does not."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.husbandry.ahead import DAY_MS, HOUR_MS, Dryness, Expected, at_end, falls_below, level_to_leave_at
from collector.husbandry.drying import Path
from tests.worlds.values import T0

NOW = T0
FRIDAY_TO_MONDAY = NOW + 3 * DAY_MS


def path(per_day: float, spread: float, level: float = 75.0, days: int = 3) -> Path:
    """A tray that dries by so much a day, give or take `spread` a day."""
    day = np.arange(days * 24 + 1) / 24
    return Path(level + per_day * day, level + (per_day - spread) * day, level + (per_day + spread) * day)


DRYING = path(-2.0, 0.5)


def test_where_a_tray_will_be_is_its_path_and_the_ends_of_its_span() -> None:
    """Three days at 2 % a day from 75 % is 69 %, and between 67.5 % and 70.5 %."""
    assert at_end(DRYING, 72) == Expected(69.0, 67.5, 70.5)


def test_a_drying_tray_is_told_with_the_span_of_the_moment() -> None:
    """From 75 % to 70.5 % at 2 % a day takes 54 h; at the fast end, 2.5 % a day, 43 h 12 min; at the slow end three
    days."""
    found = falls_below(DRYING, 70.5, NOW, FRIDAY_TO_MONDAY)
    assert found is not None
    assert found.early_ms - NOW == pytest.approx(43.2 * HOUR_MS, abs=2)
    assert found.about_ms == pytest.approx(NOW + 54 * HOUR_MS, abs=2)
    assert found.late_ms == pytest.approx(FRIDAY_TO_MONDAY, abs=2)


def test_an_end_of_the_span_that_lies_beyond_what_is_foreseen_is_left_open() -> None:
    """At 69.5 % the slow end is not there by Monday; at 68 % neither is the middle."""
    late = falls_below(DRYING, 69.5, NOW, FRIDAY_TO_MONDAY)
    assert late is not None
    assert late.about_ms is not None
    assert late.late_ms is None
    perhaps = falls_below(DRYING, 68.0, NOW, FRIDAY_TO_MONDAY)
    assert perhaps is not None
    assert (perhaps.about_ms, perhaps.late_ms) == (None, None)


def test_what_falls_below_only_after_the_end_is_not_foretold() -> None:
    """60 % is not reached by Monday; 70 % is, but not by Saturday."""
    assert falls_below(DRYING, 60.0, NOW, FRIDAY_TO_MONDAY) is None
    assert falls_below(DRYING, 70.0, NOW, NOW + DAY_MS) is None


def test_a_span_that_is_wider_than_the_way_to_the_limit_begins_now() -> None:
    """A tray at 60.2 % may be below 60 % now."""
    level = np.full(5, 60.2)
    found = falls_below(Path(level, level - 0.5, level + 0.5), 60.0, NOW, NOW + DAY_MS)
    assert found == Dryness(limit=60.0, early_ms=NOW)


@pytest.mark.parametrize("level", [60.0, 59.9])
def test_a_tray_below_the_limit_is_below_it_now(level: float) -> None:
    """Whatever its course."""
    found = falls_below(path(1.0, 0.5, level), 60.0, NOW, NOW + 1)
    assert found == Dryness(limit=60.0, early_ms=NOW, about_ms=NOW, late_ms=NOW)


def test_a_tray_is_left_wet_enough_for_the_fast_end_of_its_drying() -> None:
    """To be at 70 % after three days at 2.5 % a day it must start at 77.5 %."""
    assert level_to_leave_at(75.0, at_end(DRYING, 72), 70.0, 85.0) == 77.5


def test_no_tray_is_left_wetter_than_the_ceiling() -> None:
    """Ten days would need 95 %: 85 % is what a tray can bear."""
    assert level_to_leave_at(75.0, Expected(55.0, 50.0, 60.0), 70.0, 85.0) == 85.0


@given(st.floats(40, 95), st.floats(-30, 10), st.floats(0, 15))
def test_where_to_leave_a_tray_is_never_drier_than_it_is(level: float, change: float, spread: float) -> None:
    """Advice adds water or nothing; and what reaches the floor, reaches it at the fast end too."""
    end = Expected(level + change, level + change - spread, level + change + spread)
    left = level_to_leave_at(level, end, 70.0, 85.0)
    assert left >= level
    if level < left < 85.0:
        assert left + min(0.0, end.low - level) == pytest.approx(70.0)
