"""Calibration: straight lines by validity date, extended and said so, never clamped."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from collector.domain.calibration import calibrate
from collector.domain.calibration_points import calibration_faults
from collector.domain.lab import Calibration, CalibrationPoint
from collector.domain.readings import Why

OUTSIDE = int(Why.CALIBRATION)


def points(*pairs: tuple[float, float]) -> tuple[CalibrationPoint, ...]:
    return tuple(CalibrationPoint(raw, value) for raw, value in pairs)


def since(from_ms: int, *pairs: tuple[float, float]) -> Calibration:
    return Calibration(from_ms, points(*pairs))


def times(*t_ms: int) -> NDArray[np.int64]:
    return np.array(t_ms, np.int64)


def raws(*raw: float) -> NDArray[np.float64]:
    return np.array(raw, np.float64)


AIR_WATER = since(0, (3300, 0), (1500, 100))


def test_without_calibrations_the_raw_value_is_the_value() -> None:
    """A channel without calibration passes its value on, as a copy and without a reason."""
    raw = raws(20.5, math.nan)
    value, why = calibrate((), times(1, 2), raw)
    assert value is not raw
    np.testing.assert_array_equal(value, raw)
    assert why.tolist() == [0, 0]
    assert (value.dtype.name, why.dtype.name) == ("float64", "uint16")


def test_a_falling_two_point_line_is_extended_and_marked_outside_its_points() -> None:
    """Beyond the points the line goes on, with the reason beside it; at the points themselves nothing is marked."""
    value, why = calibrate((AIR_WATER,), times(1, 2, 3, 4), raws(3500, 3300, 1500, 1400))
    assert value == pytest.approx([-100 / 9, 0, 100, 950 / 9])
    assert why.tolist() == [OUTSIDE, 0, 0, OUTSIDE]


def test_several_points_make_several_lines_whatever_their_order_in_the_file() -> None:
    """Each reading uses the two points around it; the outer two lines are extended."""
    bent = since(0, (30, 40), (10, 0), (20, 10))
    value, why = calibrate((bent,), times(1, 2, 3, 4, 5), raws(5, 15, 20, 25, 40))
    assert value == pytest.approx([-5, 5, 10, 25, 70])
    assert why.tolist() == [OUTSIDE, 0, 0, 0, OUTSIDE]


def test_each_reading_takes_the_calibration_of_its_own_date() -> None:
    """A calibration holds from its date on, that moment included, until the next; order in the file does not matter."""
    later, earlier = since(2000, (0, 100), (10, 200)), since(1000, (0, 0), (10, 10))
    value, _ = calibrate((later, earlier), times(1000, 1999, 2000, 9000), raws(5, 5, 5, 5))
    assert value.tolist() == [5, 5, 150, 150]


def test_readings_before_the_first_date_take_the_first_calibration() -> None:
    """A line measured later is nearer the truth than a raw count."""
    first, second = since(1000, (0, 0), (10, 10)), since(2000, (0, 100), (10, 200))
    value, why = calibrate((first, second), times(0), raws(5))
    assert (value.tolist(), why.tolist()) == ([5], [0])


def test_of_two_calibrations_with_one_date_the_later_in_the_file_holds() -> None:
    """Someone who adds a line below another means the new one."""
    value, _ = calibrate((since(0, (0, 0), (1, 1)), since(0, (0, 5), (1, 6))), times(1), raws(0))
    assert value.tolist() == [5]


@pytest.mark.parametrize("lines", [AIR_WATER, since(0, (3300, 0), (2000, 60), (1500, 100))])
def test_what_is_no_number_passes_through(lines: Calibration) -> None:
    """NaN stays NaN with no reason from here; an infinity stays infinite and lies outside the points."""
    value, why = calibrate((lines,), times(1, 2, 3), raws(math.nan, math.inf, -math.inf))
    assert math.isnan(value[0])
    assert value[1:].tolist() == [-math.inf, math.inf]
    assert why.tolist() == [0, OUTSIDE, OUTSIDE]


def test_no_readings_give_no_values() -> None:
    """An empty piece is a piece."""
    value, why = calibrate((AIR_WATER, since(5, (0, 0), (1, 1))), times(), raws())
    assert (value.size, why.size) == (0, 0)


@pytest.mark.parametrize(
    ("pairs", "fault"),
    [
        ([], "needs two points or more, has 0"),
        ([(1500, 80)], "needs two points or more, has 1"),
        ([(1500, 80), (1500, 60)], "raw 1500 stands twice, for 80 and 60"),
        ([(1, 0), (1500, 80), (1500, 60)], "raw 1500 stands twice, for 80 and 60"),
        ([(math.nan, 80), (1500, 60)], "every raw and every value must be a finite number"),
        ([(1, 80), (1500, math.inf)], "every raw and every value must be a finite number"),
        ([(10, 62), (20, 84), (30, 70)], "values must all rise or all fall as raw rises: 10 -> 62, 20 -> 84, 30 -> 70"),
        ([(10, 62), (20, 62)], "values must all rise or all fall as raw rises: 10 -> 62, 20 -> 62"),
        ([(0, -1e308), (1e-300, 1e308)], "points lie too close together or too far apart for a line"),
    ],
)
def test_points_that_are_no_calibration_are_named(pairs: list[tuple[float, float]], fault: str) -> None:
    """The reader of the lab file is told in words, and calibrating with such points is refused in the same words."""
    assert calibration_faults(points(*pairs)) == (fault,)
    with pytest.raises(ValueError, match=r"points|raw") as refused:
        calibrate((since(0, *pairs),), times(1), raws(1))
    assert str(refused.value) == fault


@pytest.mark.parametrize("pairs", [[(3300, 0), (1500, 100)], [(1, 1), (2, 5), (3, 6)], [(-5, 0), (0, -1), (9, -20)]])
def test_sound_points_have_no_faults(pairs: list[tuple[float, float]]) -> None:
    """Rising and falling lines of two or more points are accepted."""
    assert calibration_faults(points(*pairs)) == ()


numbers = st.floats(-1e6, 1e6)


@given(st.lists(st.tuples(numbers, numbers), max_size=5), st.lists(st.floats(), min_size=1, max_size=5))
def test_points_without_faults_never_fail_to_calibrate(pairs: list[tuple[float, float]], raw: list[float]) -> None:
    """Whatever passes the check computes, in any order, for any float; and a number in gives a number out."""
    if not calibration_faults(points(*pairs)):
        value, _ = calibrate((since(0, *pairs),), np.arange(len(raw)), raws(*raw))
        assert np.isnan(value).tolist() == [math.isnan(number) for number in raw]
