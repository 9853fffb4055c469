"""The robust trend against scipy.stats.theilslopes, which follows Sen (1968); a line with known slope by hand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import theilslopes

from collector.alarms.trend import steepest, theil_sen

_STEPS = st.lists(st.sampled_from([0.5, 0.5, 0.5, 1.0, 2.5]), min_size=2, max_size=60)
"""Hours between points: half hours, some of them missing."""
_VALUES = st.floats(-40, 100, allow_nan=False) | st.sampled_from([20.0, 20.0625, 20.125, 75.0])
"""Any, and steps of a digital probe, so that values are equal."""


@given(_STEPS, st.data())
@settings(max_examples=120, deadline=None)
def test_slope_and_interval_are_those_of_scipy(steps: list[float], data: st.DataObject) -> None:
    """Slope, both ends of the 90 % interval, and the central line, for up to 60 points with gaps and equal values."""
    x = np.cumsum(steps)
    y = np.array(data.draw(st.lists(_VALUES, min_size=x.size, max_size=x.size)))
    ours, theirs = theil_sen(x, y), theilslopes(y, x, alpha=0.9)
    assert [ours.slope, ours.low, ours.high] == pytest.approx(
        [theirs.slope, theirs.low_slope, theirs.high_slope], rel=1e-9, abs=1e-9
    )
    assert ours.at(x[-1]) == pytest.approx(theirs.intercept + theirs.slope * x[-1], rel=1e-9, abs=1e-6)
    low, high = steepest(x, y)
    assert low <= ours.low + 1e-9
    assert ours.high - 1e-9 <= high


def test_a_line_with_a_few_wild_points_keeps_its_slope() -> None:
    """0.25 % an hour downwards; three of twenty readings are nonsense, and the median of slopes does not follow."""
    x = np.linspace(0.0, 9.5, 20, dtype=np.float64)
    y = np.asarray(75 - 0.25 * x, dtype=np.float64)
    y[[3, 9, 15]] = 0.0, 100.0, 12.0
    trend = theil_sen(x, y)
    assert trend.slope == pytest.approx(-0.25)
    assert trend.falls
    assert not trend.rises


def test_nothing_but_equal_values_has_no_trend() -> None:
    """A flat line: slope and both ends are 0."""
    trend = theil_sen(np.arange(12.0), np.full(12, 20.5))
    assert (trend.slope, trend.low, trend.high, trend.rises, trend.falls) == (0.0, 0.0, 0.0, False, False)
