"""What a room does next, from its own week."""

import numpy as np
import pytest

from collector.husbandry.rhythm import foretell

HOUR = np.arange(35 * 24)
WEEK = 20 - 3 * (HOUR % 168 >= 120) + 2 * np.sin(HOUR % 24 * 2 * np.pi / 24)
"""Two degrees up and down each day, three colder at weekends."""


def test_a_weekend_to_come_is_as_weekends_were() -> None:
    """From Friday noon, the setback of the weekend comes when it always does, and Monday's warmth too."""
    friday = 3 * 168 + 4 * 24 + 12
    assert foretell(WEEK[:friday], 72) == pytest.approx(WEEK[friday : friday + 72])


def test_before_there_is_a_week_a_day_is_as_the_days_before() -> None:
    """Three days are known: nights are foretold, the weekend is not yet."""
    assert foretell(WEEK[:72], 24) == pytest.approx(WEEK[72:96])


def test_how_today_is_odd_fades() -> None:
    """A room two degrees warmer than its weeks all day long is so in an hour, and hardly in a week."""
    known = WEEK[:504].copy()
    known[-24:] += 2.0
    found = foretell(known, 168) - WEEK[504:672]
    assert found[0] == pytest.approx(2.0, abs=0.1)
    assert found[36] == pytest.approx(2.0 * np.exp(-37 / 36), abs=0.1)


def test_further_than_a_week_ahead_the_weeks_before_still_tell() -> None:
    """Nine days on."""
    assert foretell(WEEK[:336], 216) == pytest.approx(WEEK[336:552])


def test_hours_that_are_unknown_are_left_out() -> None:
    """A gap in the same hour a week ago leaves the other weeks."""
    known = WEEK[:504].copy()
    known[340:350] = np.nan
    assert foretell(known, 20) == pytest.approx(WEEK[504:524])


def test_where_little_is_known_its_middle_stands_in() -> None:
    """Two hours say what is usual, for want of better; none say nothing."""
    assert foretell(np.array([20.0, 22.0]), 3) == pytest.approx([21.0, 21.0, 21.0])
    assert np.all(np.isnan(foretell(np.full(5, np.nan), 3)))


def test_a_day_that_is_unknown_is_taken_to_be_usual() -> None:
    """No reading since yesterday: the weeks before tell by themselves."""
    known = WEEK[:504].copy()
    known[-24:] = np.nan
    assert foretell(known, 24) == pytest.approx(WEEK[504:528])
