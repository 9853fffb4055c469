"""The quality tests against IOOS QARTOD's reference library, ioos-qc 3.0.0, on known vectors and on random series.

The vectors were run through the library (github.com/ioos/ioos_qc, PyPI ioos-qc 3.0.0, qartod.py) and are run through it
again here, so that both columns are checked. Where ours differs, the reason stands beside it; the decisions themselves
are in `collector.domain.quality_tests`. The precedence of flags, 4 > 3 > 1 > 2 > 9, is the library's too.
"""

import warnings
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from collector.domain.quality_tests import aggregate, flat_line, gap, gross_range, rate_of_change, spike

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the library warns about optional parts of its own when it is imported
    from ioos_qc import qartod

NAN, INF = float("nan"), float("inf")
SPIKES = [20, 20.1, 23.1, 20.2, 20.2, 20.2, 28.2, 20.3, 20.3]
STILL = [20.0] * 8 + [20.5] * 4


def library(test: Callable[..., Any], *args: Any, **kwargs: Any) -> list[int]:
    """Flags of the library's test. It warns of NaN arithmetic inside; its flags are what is asked for here."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        flags = test(*args, **kwargs)
    return [int(flag) for flag in np.ma.getdata(flags)]


def every(step_s: float, count: int) -> NDArray[np.int64]:
    return np.arange(count, dtype=np.int64) * round(step_s * 1000)


def datetimes(t_ms: NDArray[np.int64]) -> NDArray[np.datetime64]:
    return (t_ms + 1_700_000_000_000).astype("datetime64[ms]").astype("datetime64[ns]")


def floats(values: Sequence[float]) -> NDArray[np.float64]:
    return np.array(values, np.float64)


def flags(text: str) -> list[int]:
    return [int(flag) for flag in text.split()]


@pytest.mark.parametrize(
    ("fail", "suspect", "values", "expected"),
    [
        (
            (-10, 60),
            (4, 30),
            [18.2, 4.0, 3.9, 30.0, 30.1, -10.0, -10.1, 60.0, 85.0, -127.0, NAN],
            "1 1 3 1 3 3 4 3 4 4 9",
        ),
        ((0, 100), (60, 90), [75, 60, 59.9, 90, 90.1, 0, -0.1, 100, 100.1, NAN], "1 1 3 1 3 3 4 3 4 9"),
        ((0, 5), None, [1, 2, 3, 4, 8], "1 1 1 1 4"),
    ],
)
def test_gross_range_vectors(
    fail: tuple[float, float], suspect: tuple[float, float] | None, values: list[float], expected: str
) -> None:
    """Bounds belong to the span, and a missing value is 9: same as the library."""
    assert library(qartod.gross_range_test, values, fail, suspect) == flags(expected)
    assert gross_range(floats(values), suspect or fail, fail).tolist() == flags(expected)


def test_gross_range_refuses_what_the_library_refuses() -> None:
    """A suspect span that sticks out of the fail span is an error in both."""
    with pytest.raises(ValueError, match="must fall within"):
        library(qartod.gross_range_test, [1, 2], (0, 5), (-1, 4))
    with pytest.raises(ValueError, match="must lie inside"):
        gross_range(floats([1, 2]), (-1, 4), (0, 5))


def test_gross_range_fails_infinities() -> None:
    """A probe that sends an infinity has sent a number it cannot have measured: 4, same as the library."""
    assert library(qartod.gross_range_test, [20, INF, -INF], (-10, 60)) == [1, 4, 4]
    assert gross_range(floats([20, INF, -INF]), (-10, 60), (-10, 60)).tolist() == [1, 4, 4]


@pytest.mark.parametrize("seed", range(20))
def test_gross_range_on_random_values(seed: int) -> None:
    """Same flags on random values, on the bounds themselves, and on missing values."""
    rng = np.random.default_rng(seed)
    low, suspect_low, suspect_high, high = np.sort(rng.normal(20, 30, 4)).tolist()
    values = rng.normal(20, 40, 500)
    values[rng.random(500) < 0.1] = NAN
    values[:4] = low, suspect_low, suspect_high, high
    expected = library(qartod.gross_range_test, values, (low, high), (suspect_low, suspect_high))
    assert gross_range(values, (suspect_low, suspect_high), (low, high)).tolist() == expected
    assert set(expected) == {1, 3, 4, 9}


@pytest.mark.parametrize(
    ("values", "average", "differential", "ours", "reason"),
    [
        (SPIKES, "2 1 3 1 1 3 4 3 2", "2 1 3 1 1 1 4 1 2", "2 1 3 1 1 1 4 1 1", "the last reading is judged too"),
        ([20, 20, 22, 20, 20], "2 1 1 1 2", "2 1 1 1 2", "2 1 1 1 1", "at the threshold passes, as there"),
        (
            [20, 20, NAN, 20, 30, 20, 20],
            "2 2 9 2 4 3 2",
            None,
            "2 1 9 1 4 1 1",
            "a missing value is skipped, not a reason to say nothing of the readings beside it",
        ),
        (
            [20, 20, 20, 26, 26, 26],
            "2 1 3 3 1 2",
            "2 1 1 1 1 2",
            "2 1 1 3 1 1",
            "of a true step the first reading waits for the second, the reading before it is left alone",
        ),
        (
            [20, 20, 28, 28, 20, 20],
            "2 3 3 3 3 2",
            "2 1 1 1 1 2",
            "2 1 4 1 4 1",
            "a plateau is two steps; each first reading, 8 away, fails until the next one agrees",
        ),
        ([20, 21, 22, 23, 24, 25], "2 1 1 1 1 2", "2 1 1 1 1 2", "2 1 1 1 1 1", "a ramp within the threshold"),
    ],
)
def test_spike_vectors(values: list[float], average: str, differential: str | None, ours: str, reason: str) -> None:
    """Thresholds 2 and 6. The library looks one reading ahead; alarms cannot wait for it, so ours looks back only."""
    assert library(qartod.spike_test, values, 2, 6) == flags(average)
    if differential is not None:
        assert library(qartod.spike_test, values, 2, 6, method="differential") == flags(differential)
    assert spike(every(300, len(values)), floats(values), 2, 6).tolist() == flags(ours), reason


def test_spike_on_a_ramp_steeper_than_its_threshold() -> None:
    """At threshold 0.4 the library passes a ramp of 1 a reading, being straight; for ours no reading ever agrees."""
    ramp = [20, 21, 22, 23, 24, 25]
    assert library(qartod.spike_test, ramp, 0.4, 6) == flags("2 1 1 1 1 2")
    assert spike(every(300, 6), floats(ramp), 0.4, 6).tolist() == flags("2 3 3 3 3 3")


@pytest.mark.parametrize("seed", range(20))
def test_spike_on_random_single_spikes(seed: int) -> None:
    """Single spikes on a quiet series: same flags as the library's "differential" method, the ends aside."""
    rng = np.random.default_rng(seed)
    values = 20 + rng.uniform(-0.4, 0.4, 600)
    at = np.arange(2, 597, 3)[rng.random(199) < 0.3]
    values[at] += rng.choice([-1, 1], at.size) * rng.choice([3.5, 4.5, 8.5], at.size)
    expected = library(qartod.spike_test, values, 2, 6, method="differential")
    assert spike(every(60, 600), values, 2, 6).tolist()[1:-1] == expected[1:-1]
    assert set(expected[1:-1]) == {1, 3, 4}


ROC = [20, 20.2, 20.4, 21.4, 21.4, 18.4, NAN, 20.0, 20.1]


@pytest.mark.parametrize(
    ("values", "t_s", "theirs", "ours"),
    [
        (ROC, None, "1 1 1 1 1 4 9 1 1", "2 1 1 1 1 4 9 1 1"),
        ([20, 21.0, 22.0001], None, "1 1 3", "2 1 3"),
        ([20, 20, 24], [0, 300, 3900], "1 1 1", "2 1 2"),
    ],
    ids=["drop", "boundary", "over-a-gap"],
)
def test_rate_of_change_vectors(values: list[float], t_s: list[int] | None, theirs: str, ours: str) -> None:
    """1 degC and 2 degC in 300 s. Two differences: the first reading has no rate (2, not 1), and an hour of nothing
    neither hides a jump nor condemns it (2, not 1)."""
    t_ms = every(300, len(values)) if t_s is None else np.array(t_s, np.int64) * 1000
    assert library(qartod.rate_of_change_test, values, datetimes(t_ms), 1 / 300, 2 / 300) == flags(theirs)
    assert rate_of_change(t_ms, floats(values), 1 / 300, 2 / 300, gap_ms=1_800_000).tolist() == flags(ours)


@pytest.mark.parametrize("seed", range(20))
def test_rate_of_change_on_random_steps(seed: int) -> None:
    """Lasting steps on a quiet series, unevenly spaced in time: same flags as the library, the first aside."""
    rng = np.random.default_rng(seed)
    t_ms = np.cumsum(rng.integers(30, 300, 600)) * 1000
    moves = rng.uniform(-0.2, 0.2, 600)
    at = np.arange(2, 597, 3)[rng.random(199) < 0.3]
    moves[at] += rng.choice([-1, 1], at.size) * rng.uniform(1, 40, at.size)
    values = 20 + np.cumsum(moves)
    expected = library(qartod.rate_of_change_test, values, datetimes(t_ms), 2 / 60, 10 / 60)
    assert rate_of_change(t_ms, values, 2 / 60, 10 / 60).tolist()[1:] == expected[1:]
    assert set(expected[1:]) == {1, 3, 4}


@pytest.mark.parametrize("seed", range(20))
def test_rate_of_change_on_any_series_doubts_no_more_than_the_library(seed: int) -> None:
    """On wild series ours differs one way only: what returns to the last accepted reading is let pass."""
    rng = np.random.default_rng(seed)
    t_ms, values = every(60, 600), rng.choice([20.0, 20.5, 23.0, 40.0], 600, p=[0.5, 0.3, 0.1, 0.1])
    theirs = np.array(library(qartod.rate_of_change_test, values, datetimes(t_ms), 2 / 60, 10 / 60))
    ours = rate_of_change(t_ms, values, 2 / 60, 10 / 60)
    assert (ours[1:] <= theirs[1:]).all()
    let_pass = np.flatnonzero((ours == 1) & (theirs > 1))
    assert let_pass.size
    for i in let_pass[let_pass > 0].tolist():
        accepted = max(j for j in range(i) if ours[j] in (1, 2))
        assert abs(values[i] - values[accepted]) <= 2 * (i - accepted)


@pytest.mark.parametrize(
    ("values", "tolerance", "theirs", "ours"),
    [
        (STILL, 0.05, "1 1 1 3 3 3 4 4 1 1 1 3", "1 1 1 3 3 3 4 4 1 1 1 3"),
        (STILL, 0, "1 1 1 1 1 1 1 1 1 1 1 1", "1 1 1 3 3 3 4 4 1 1 1 3"),
        ([20, 20, 20.1, 20, 20.1, 20, 20.1, 20], 0.11, "1 1 1 3 3 3 4 4", "1 1 1 3 3 3 4 4"),
        ([0, 0, 0.125, 0, 0.125, 0, 0.125, 0], 0.125, "1 1 1 1 1 1 1 1", "1 1 1 3 3 3 4 4"),
        ([20, 20, 20, NAN, 20, 20, 20, 20], 0.05, "1 1 1 9 3 3 4 4", "1 1 1 9 3 3 4 4"),
    ],
    ids=["still", "tolerance-0", "noise-inside", "noise-at-tolerance", "nan"],
)
def test_flat_line_vectors(values: list[float], tolerance: float, theirs: str, ours: str) -> None:
    """900 s and 1800 s, a reading every 300 s. One difference: a range equal to the tolerance counts as flat, else
    tolerance 0 could never flag a value that repeats."""
    t_ms = every(300, len(values))
    assert library(qartod.flat_line_test, values, datetimes(t_ms), 900, 1800, tolerance) == flags(theirs)
    assert flat_line(t_ms, floats(values), 900_000, 1_800_000, tolerance=tolerance).tolist() == flags(ours)


def test_flat_line_noise_as_wide_as_the_tolerance_in_decimal() -> None:
    """Noise of 0.1 at tolerance 0.1: 20.1 - 20 comes out above 0.1 in binary, so neither calls it flat."""
    values, t_ms = [20, 20, 20.1, 20, 20.1, 20, 20.1, 20], every(300, 8)
    assert library(qartod.flat_line_test, values, datetimes(t_ms), 900, 1800, 0.1) == [1] * 8
    assert flat_line(t_ms, floats(values), 900_000, 1_800_000, tolerance=0.1).tolist() == [1] * 8


@pytest.mark.parametrize("seed", range(20))
def test_flat_line_on_random_series(seed: int) -> None:
    """Evenly spaced noise with still stretches, where no range equals the tolerance: same flags as the library."""
    rng = np.random.default_rng(seed)
    values = rng.normal(20, 0.2, 400)
    for start in rng.integers(0, 370, 8).tolist():
        values[start : start + int(rng.integers(5, 30))] = 21.03 + rng.uniform(-0.02, 0.02)
    t_ms = every(60, 400)
    expected = library(qartod.flat_line_test, values, datetimes(t_ms), 300, 900, 0.25)
    assert flat_line(t_ms, values, 300_000, 900_000, tolerance=0.25).tolist() == expected
    assert set(expected) == {1, 3, 4}


def test_flat_line_differs_where_readings_are_uneven() -> None:
    """The library turns seconds into a number of rows by the median interval; ours goes by each reading's own time. Six
    equal readings within 25 s after a long one are no 15 minutes of stillness."""
    t_ms = np.array([0, 300, 600, 605, 610, 615, 620, 625], np.int64) * 1000
    values = [19.0, 19.5, 20, 20, 20, 20, 20, 20]
    assert 4 in library(qartod.flat_line_test, values, datetimes(t_ms), 15, 20, 0.05)
    assert flat_line(t_ms, floats(values), 900_000, 1_800_000).tolist() == [1] * 8
    assert flat_line(t_ms, floats(values), 15_000, 20_000).tolist() == flags("1 1 1 1 1 3 4 4")


def test_gap_vector() -> None:
    """Two hours allowed: the reading that ends a longer pause is flagged, one at exactly 2 h is not. The library gives
    the first reading the flag of the second; ours leaves it open."""
    clock = ["08:00:00", "08:05:00", "10:05:00", "12:05:01", "12:10:00"]
    stamps = np.array([f"2026-03-02T{time}" for time in clock], "datetime64[ns]")
    t_ms = stamps.astype("datetime64[ms]").astype(np.int64)
    assert library(qartod.time_gap_test, stamps, 2) == flags("1 1 1 4 1")
    assert gap(t_ms, 7_200_000, 7_200_000).tolist() == flags("2 1 1 4 1")


@pytest.mark.parametrize("seed", range(10))
def test_gap_on_random_times(seed: int) -> None:
    """Same flags as the library at any spacing, the first aside."""
    rng = np.random.default_rng(seed)
    t_ms = np.cumsum(rng.choice([60_000, 7_199_999, 7_200_000, 7_200_001, 9_000_000], 200)).astype(np.int64)
    expected = library(qartod.time_gap_test, datetimes(t_ms), 2)
    assert gap(t_ms, 7_200_000, 7_200_000).tolist()[1:] == expected[1:]


TRIPLES = [(1, 1, 1), (1, 3, 4), (1, 4, 3), (2, 2, 1), (9, 9, 9), (9, 2, 9), (2, 9, 2)]


def test_combining_vector() -> None:
    """Three tests of seven readings combine to the library's flags."""
    vectors = [np.array(column, np.uint8) for column in zip(*TRIPLES, strict=True)]
    assert library(qartod.qartod_compare, vectors) == flags("1 4 4 1 9 2 2")
    assert aggregate(*vectors).tolist() == flags("1 4 4 1 9 2 2")


@pytest.mark.parametrize("seed", range(10))
def test_combining_random_flags(seed: int) -> None:
    """Same as the library for any number of tests."""
    rng = np.random.default_rng(seed)
    vectors = [rng.choice([1, 2, 3, 4, 9], 300).astype(np.uint8) for _ in range(1 + seed % 5)]
    assert aggregate(*vectors).tolist() == library(qartod.qartod_compare, vectors)


def test_a_missing_value_stays_missing_where_the_library_once_passed_it() -> None:
    """ioos-qc 3.0.0 answers 1 for a NaN in a climatology test by month; here every test of a value answers 9."""
    seasons = qartod.ClimatologyConfig()
    seasons.add(tspan=(9, 12), vspan=(18, 24), fspan=(4, 30), period="month")
    seasons.add(tspan=(1, 5), vspan=(16, 24), fspan=(4, 30), period="month")
    days = ["2025-09-15", "2025-12-31", "2026-01-10", "2026-07-04", "2026-02-02", "2026-03-01"]
    values = [20, 25, 17, 22, 31, NAN]
    stamps = np.array(days, "datetime64[ns]")
    assert library(qartod.climatology_test, seasons, values, stamps, np.zeros(6)) == flags("1 3 1 2 4 1")
    assert gross_range(floats(values), (16, 24), (4, 30)).tolist()[-1] == 9
