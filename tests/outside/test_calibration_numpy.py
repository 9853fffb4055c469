"""Calibration against numpy's own interpolation and fitting, and against worked two-point examples."""

import numpy as np
import pytest

from collector.domain.calibration import calibrate
from collector.domain.lab import Calibration, CalibrationPoint
from collector.domain.readings import Why

# Worked by hand from M = lo + (hi - lo)(raw_dry - raw)/(raw_dry - raw_wet) (common practice, no source), to 2 decimals.
AIR_AND_WATER = ((3300, 0), (1500, 100))
BEDDING = ((1950, 62), (1620, 84))


@pytest.mark.parametrize(
    ("pairs", "raw", "moisture", "outside"),
    [
        (AIR_AND_WATER, 3000, 16.67, False),
        (AIR_AND_WATER, 2400, 50.00, False),
        (AIR_AND_WATER, 1800, 83.33, False),
        (AIR_AND_WATER, 1400, 105.56, True),
        (AIR_AND_WATER, 3500, -11.11, True),
        (BEDDING, 1785, 73.00, False),
        (BEDDING, 2115, 51.00, True),
    ],
)
def test_worked_two_point_examples(
    pairs: tuple[tuple[int, int], ...], raw: float, moisture: float, outside: bool
) -> None:
    """Counts of a capacitive probe come out as the moisture worked by hand, marked where the line is extended."""
    lines = Calibration(0, tuple(CalibrationPoint(*pair) for pair in pairs))
    value, why = calibrate((lines,), np.zeros(1, np.int64), np.array([raw]))
    assert value[0] == pytest.approx(moisture, abs=0.005)
    assert bool(why[0] & Why.CALIBRATION) is outside


@pytest.mark.parametrize("seed", range(20))
def test_inside_the_points_it_is_numpy_interp(seed: int) -> None:
    """Between the points any number of straight lines agree with numpy.interp, rising or falling."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 8))
    raw_points = np.sort(rng.choice(4000, count, replace=False)).astype(float)
    values = np.sort(rng.uniform(0, 100, count))[:: 1 if seed % 2 else -1]
    lines = Calibration(0, tuple(CalibrationPoint(r, v) for r, v in zip(raw_points, values, strict=True)))
    raw = rng.uniform(raw_points[0], raw_points[-1], 500)
    value, why = calibrate((lines,), np.arange(500), raw)
    np.testing.assert_allclose(value, np.interp(raw, raw_points, values), rtol=0, atol=1e-9)
    assert not why.any()


@pytest.mark.parametrize("seed", range(20))
def test_outside_the_points_it_is_the_end_line_of_numpy_polyfit(seed: int) -> None:
    """Beyond the points the value lies on the line fitted through the two outermost ones; numpy.interp would clamp."""
    rng = np.random.default_rng(100 + seed)
    raw_points = np.cumsum(rng.uniform(50, 500, 4))
    values = np.cumsum(rng.uniform(1, 20, 4)) * (1 if seed % 2 else -1)
    lines = Calibration(0, tuple(CalibrationPoint(r, v) for r, v in zip(raw_points, values, strict=True)))
    for end, raw in (
        (slice(0, 2), raw_points[0] - rng.uniform(1, 500, 50)),
        (slice(2, 4), raw_points[-1] + rng.uniform(1, 500, 50)),
    ):
        fitted = np.polyval(np.polyfit(raw_points[end], values[end], 1), raw)
        value, why = calibrate((lines,), np.arange(50), raw)
        np.testing.assert_allclose(value, fitted, rtol=1e-9, atol=1e-9)
        assert (why == Why.CALIBRATION).all()
