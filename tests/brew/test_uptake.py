"""What a brew takes up, and a stone that clogs."""

import numpy as np
import pytest

from collector.brew.uptake import (
    Air,
    clogging,
    least_transfer_per_h,
    level_at_rest_mg_l,
    margin_min,
    transfer_per_h,
    uptake_mg_l_h,
)

HOURS = np.arange(0.0, 12.0, 1.5)


def test_bubbles_that_still_rise_are_left_out() -> None:
    """The level climbs for half a minute after the air stopped; the fall after that counts, and one odd reading in it
    does not."""
    seconds = np.arange(0.0, 300, 15)
    level = np.where(seconds < 30, 7.2 + 0.01 * seconds, 7.5 - 0.2 * (seconds - 30) / 60)
    level[10] = 3.0
    assert uptake_mg_l_h(seconds, level) == pytest.approx(12.0, rel=0.01)


def test_too_few_readings_tell_nothing() -> None:
    """Three after the bubbles, two of a rise, or all of them at saturation."""
    seconds = np.array([0.0, 15, 30, 45, 60])
    assert uptake_mg_l_h(seconds, 7.2 - seconds / 600) is None
    assert transfer_per_h(np.array([0.0]), np.array([6.0]), 8.7, 12.0) is None
    assert transfer_per_h(seconds[:2], np.array([6.0, 6.1]), 8.7, 12.0) is None
    assert transfer_per_h(seconds, np.full(5, 8.65), 8.7, 12.0) is None


def test_a_level_that_rises_without_air_is_no_uptake() -> None:
    """And one that falls with the air on is no transfer."""
    seconds = np.arange(30.0, 330, 30)
    assert uptake_mg_l_h(seconds, 7.0 + seconds / 3600) == 0.0
    assert transfer_per_h(seconds, 7.0 - seconds / 100, 8.7, 12.0) is None


def test_what_cannot_be_told_is_not() -> None:
    """No transfer, no level at rest; in water that holds less than the floor no air is enough; a brew that takes up
    nothing has no end of its margin, one below the floor has none left."""
    assert level_at_rest_mg_l(Air(uptake_mg_l_h=12.0), 8.7) is None
    assert level_at_rest_mg_l(Air(uptake_mg_l_h=40.0, transfer_per_h=2.0), 8.7) == 0.0
    assert least_transfer_per_h(12.0, 5.9, 6.0) is None
    assert margin_min(8.0, 6.0, 0.0) is None
    assert margin_min(5.9, 6.0, 12.0) == 0.0


@pytest.mark.parametrize("seed", range(5))
def test_a_clogging_stone_is_told_hours_ahead(seed: int) -> None:
    """12 /h that loses 5 % an hour, measured within 5 % each hour and a half, with 4 /h needed: after ten hours and a
    half some 11 h are left, told within a third, and the soonest is not later."""
    noise = np.random.default_rng(seed).normal(1, 0.05, HOURS.size)
    found = clogging(HOURS, 12 * np.exp(-0.0513 * HOURS) * noise, 4.0)
    assert found is not None
    left = np.log(3) / 0.0513 - HOURS[-1]
    assert found.hours_left == pytest.approx(left, rel=0.35)
    assert found.soonest_h <= found.hours_left
    assert found.per_h == pytest.approx(0.05, abs=0.02)


def test_a_stone_that_no_longer_holds_the_floor_has_no_time_left() -> None:
    """It is below what is needed now."""
    found = clogging(HOURS, 3 * np.exp(-0.05 * HOURS), 4.0)
    assert found is not None
    assert (found.hours_left, found.soonest_h) == (0.0, 0.0)


def test_a_stone_that_only_scatters_does_not_clog() -> None:
    """Nor does one of which too little is known."""
    assert clogging(HOURS, 12 + np.sin(HOURS * 9), 4.0) is None
    assert clogging(HOURS[:3], np.array([12.0, 11.0, 10.0]), 4.0) is None
