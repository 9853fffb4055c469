"""The QARTOD tests one by one: what they decide where the reference library decides otherwise."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from collector.domain.quality_tests import (
    FlagArray,
    aggregate,
    flat_line,
    gap,
    gross_range,
    rate_of_change,
    spike,
    still_since,
)

NAN, INF = math.nan, math.inf
MINUTE = 60_000


def minutes(*t_min: float) -> NDArray[np.int64]:
    return np.array([round(t * MINUTE) for t in t_min], np.int64)


def every_minute(value: list[float]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    return np.arange(len(value), dtype=np.int64) * MINUTE, np.array(value, np.float64)


def flags(*flag: int) -> FlagArray:
    return np.array(flag, np.uint8)


def test_gross_range_fails_an_infinity_and_misses_a_nan() -> None:
    """An infinity is a number no probe can measure; only NaN is missing."""
    value = np.array([20, INF, -INF, NAN])
    assert gross_range(value, (4, 30), (-10, 60)).tolist() == [1, 4, 4, 9]


def test_gross_range_refuses_a_suspect_span_outside_the_fail_span() -> None:
    """Such a pair is a slip in a table, at either end."""
    for suspect in ((-1, 4), (1, 6)):
        with pytest.raises(ValueError, match=r"suspect span .* must lie inside fail span \(0, 5\)"):
            gross_range(np.array([1.0]), suspect, (0, 5))


def test_tests_of_nothing_say_nothing() -> None:
    """Every test takes an empty piece."""
    t_ms, value = every_minute([])
    for found in (
        gross_range(value, (0, 1), (0, 1)),
        spike(t_ms, value, 1, 2),
        rate_of_change(t_ms, value, 1, 2),
        flat_line(t_ms, value, 1, 2),
        gap(t_ms, 1, 2),
        aggregate(flags()),
    ):
        assert found.size == 0


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ([20, 20, 30, 20, 20], [2, 1, 4, 1, 1]),
        ([20, 20, 25, 25, 25], [2, 1, 3, 1, 1]),
        ([20, 20, 25, 26, 20, 20], [2, 1, 3, 1, 3, 1]),
        ([20, 30, 40, 20, 40], [2, 4, 4, 1, 4]),
        ([20, NAN, 25, NAN, 25], [2, 9, 3, 9, 1]),
        ([NAN, NAN, 20, 20], [9, 9, 2, 1]),
        ([20, 22, 24], [2, 1, 1]),
        ([20, 30, 24, 29.5], [2, 4, 3, 3]),
    ],
    ids=["spike", "step", "plateau", "bursts", "across-nan", "first-number", "at-threshold", "never-agreeing"],
)
def test_a_jump_is_doubted_until_a_second_reading_agrees_or_the_last_accepted_one_returns(
    value: list[float], expected: list[int]
) -> None:
    """Spike at 2 and 6: the jump itself is doubted, and neither the return from it nor the step confirmed."""
    t_ms, values = every_minute(value)
    assert spike(t_ms, values, 2, 6).tolist() == expected


def test_spike_is_not_evaluated_after_a_gap_and_starts_afresh_there() -> None:
    """Twenty minutes on, the last reading says nothing about this one; the one after it is compared again."""
    t_ms = minutes(0, 1, 21, 22, 23)
    assert spike(t_ms, np.array([20.0, 20, 28, 28, 20]), 2, 6, gap_ms=10 * MINUTE).tolist() == [2, 1, 2, 1, 4]


def test_an_accepted_reading_older_than_the_gap_confirms_nothing() -> None:
    """A probe that jumps about for longer than a gap has no accepted reading left to return to."""
    t_ms, value = every_minute([20, 30, 50, 70, 90, 20])
    assert spike(t_ms, value, 2, 6, gap_ms=4 * MINUTE).tolist() == [2, 4, 4, 4, 4, 4]
    assert spike(t_ms, value, 2, 6, gap_ms=5 * MINUTE).tolist() == [2, 4, 4, 4, 4, 1]


@given(
    st.lists(st.tuples(st.integers(1, 8), st.sampled_from([20.0, 21.0, 23.0, 30.0, NAN])), max_size=12),
    st.integers(0, 12),
)
def test_prior_flags_stand_for_the_readings_before(steps: list[tuple[int, float]], cut: int) -> None:
    """Given the flags of the first readings, the rest is judged as if all had been judged together."""
    t_ms = minutes(*np.cumsum([step for step, _ in steps]).tolist())
    value = np.array([number for _, number in steps], np.float64)
    t_ms, value = t_ms[~np.isnan(value)], value[~np.isnan(value)]
    whole = spike(t_ms, value, 2, 6, gap_ms=5 * MINUTE)
    again = spike(t_ms, value, 2, 6, gap_ms=5 * MINUTE, prior=whole[:cut])
    assert again.tolist() == whole.tolist()
    whole = rate_of_change(t_ms, value, 0.02, 0.1, gap_ms=5 * MINUTE)
    again = rate_of_change(t_ms, value, 0.02, 0.1, gap_ms=5 * MINUTE, prior=whole[:cut])
    assert again.tolist() == whole.tolist()


def test_prior_flags_are_kept_as_they_were_given() -> None:
    """What was decided with more of the past in view is not decided again with less."""
    t_ms, value = every_minute([20, 30, 30, 20])
    assert spike(t_ms, value, 2, 6, prior=flags(1, 1)).tolist() == [1, 1, 1, 4]
    assert spike(t_ms, value, 2, 6, prior=flags(1, 3)).tolist() == [1, 3, 1, 4]


def test_rate_counts_time_not_rows() -> None:
    """The same 3 degC are a jump in one minute and a slow change in three."""
    t_ms = minutes(0, 1, 4)
    assert rate_of_change(t_ms, np.array([20.0, 23, 26]), 1 / 60, 2 / 60).tolist() == [2, 4, 1]


def test_a_rate_is_not_hidden_by_a_gap() -> None:
    """After an hour of nothing a jump is neither passed nor doubted: the test is not evaluated."""
    t_ms = minutes(0, 5, 65)
    found = rate_of_change(t_ms, np.array([20.0, 20, 24]), 1 / 300, 2 / 300, gap_ms=30 * MINUTE)
    assert found.tolist() == [2, 1, 2]


def test_a_return_to_the_accepted_rate_is_not_doubted_twice() -> None:
    """20, 30, 20: only the 30 went too fast; seen from the first 20 the second never moved."""
    t_ms, value = every_minute([20, 30, 20, 20])
    assert rate_of_change(t_ms, value, 1 / 60, 2 / 60).tolist() == [2, 4, 1, 1]


def test_one_step_between_quick_readings_is_no_rate() -> None:
    """Readings a millisecond apart are judged as if `least_ms` apart."""
    t_ms = np.array([0, 1], np.int64)
    value = np.array([20.0, 20.0625])
    assert rate_of_change(t_ms, value, 1 / 60, 2 / 60).tolist() == [2, 4]
    assert rate_of_change(t_ms, value, 1 / 60, 2 / 60, least_ms=MINUTE).tolist() == [2, 1]


def test_flat_line_with_tolerance_zero_flags_identical_values() -> None:
    """Equality is within a tolerance of 0."""
    t_ms, value = every_minute([20.0] * 5 + [20.1])
    assert flat_line(t_ms, value, 2 * MINUTE, 4 * MINUTE).tolist() == [1, 1, 3, 3, 4, 1]


def test_flat_line_counts_time_not_rows() -> None:
    """Many readings in a short time are not a long stillness, and few over a long time are."""
    value = np.full(4, 20.0)
    assert flat_line(np.arange(4), value, 2 * MINUTE, 4 * MINUTE).tolist() == [1, 1, 1, 1]
    assert flat_line(minutes(0, 2, 4, 6), value, 2 * MINUTE, 4 * MINUTE).tolist() == [1, 3, 4, 4]


@pytest.mark.parametrize("tolerance", [0.0, 0.1])
def test_stillness_does_not_reach_across_a_gap(tolerance: float) -> None:
    """Equal values on both sides of a gap prove nothing about what lay between."""
    t_ms = minutes(0, 1, 2, 30, 31, 32)
    found = flat_line(t_ms, np.full(6, 20.0), 2 * MINUTE, 4 * MINUTE, tolerance=tolerance, gap_ms=10 * MINUTE)
    assert found.tolist() == [1, 1, 3, 1, 1, 3]


@given(
    st.lists(st.tuples(st.integers(1, 12), st.integers(0, 4)), min_size=1, max_size=25),
    st.sampled_from([0.0, 1.0, 2.0]),
)
def test_stillness_is_what_it_says(steps: list[tuple[int, int]], tolerance: float) -> None:
    """Against the definition, written out: the earliest start from which all lie within the tolerance, gaps apart."""
    t_ms = minutes(*np.cumsum([step for step, _ in steps]).tolist())
    value = np.array([number for _, number in steps], np.float64)
    found = still_since(t_ms, value, tolerance=tolerance, gap_ms=10 * MINUTE)
    for i in range(t_ms.size):
        starts = [
            s
            for s in range(i + 1)
            if np.ptp(value[s : i + 1]) <= tolerance and (np.diff(t_ms[s : i + 1]) <= 10 * MINUTE).all()
        ]
        assert found[i] == t_ms[starts[0]]


def test_stillness_may_have_begun_before_the_first_reading() -> None:
    """What is known from before holds until the value moves."""
    t_ms, value = every_minute([20, 20, 21])
    assert still_since(t_ms, value, first_since_ms=-5).tolist() == [-5, -5, 2 * MINUTE]


def test_gap_has_two_thresholds_and_leaves_the_first_open() -> None:
    """A pause is flagged on the reading that ends it, past the threshold only."""
    assert gap(minutes(0, 5, 15.1, 60, 61), 5 * MINUTE, 30 * MINUTE).tolist() == [2, 1, 3, 4, 1]


def test_a_missing_value_is_missing_to_every_test_of_values() -> None:
    """Since 2 outranks 9 when flags are combined, no test may say 2 of a missing value."""
    t_ms, value = every_minute([20, NAN, 20])
    tests = (
        gross_range(value, (0, 30), (0, 30)),
        spike(t_ms, value, 1, 2),
        rate_of_change(t_ms, value, 1, 2),
        flat_line(t_ms, value, MINUTE, MINUTE),
    )
    assert [test[1] for test in tests] == [9, 9, 9, 9]
    assert aggregate(*tests)[1] == 9


def test_combining_takes_fail_then_suspect_then_pass_then_not_evaluated_then_missing() -> None:
    """The precedence, pair by pair."""
    order = [4, 3, 1, 2, 9]
    for place, high in enumerate(order):
        for low in order[place:]:
            assert aggregate(flags(high), flags(low)).tolist() == [high]
            assert aggregate(flags(low), flags(high)).tolist() == [high]
