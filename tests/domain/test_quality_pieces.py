"""However a series is cut, and wherever the collector stops and starts, the flags are the same."""

import math
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from collector.domain.probe_models import Limits, Thresholds, limits_for
from collector.domain.quality import judge, memory_from_rows, no_memory
from collector.domain.readings import Why

MINUTE = 60_000
NAN, INF = math.nan, math.inf

# Windows of minutes in place of days, so that short series meet every test.
TIGHT = Limits(
    suspect=(0, 90),
    fail=(-55, 125),
    gap_ms=5 * MINUTE,
    every_ms=MINUTE,
    spike=Thresholds(3, 8),
    rate=Thresholds(2 / 60, 6 / 60),
    flat_ms=(4 * MINUTE, 9 * MINUTE),
    flat_below=86,
    codes=(-127.0, -196.6),
    power_up=85.0,
)
NO_FLAT = Limits(suspect=(0, 90), fail=(-55, 125), gap_ms=5 * MINUTE, every_ms=MINUTE, spike=Thresholds(3, 8))
NO_SPIKE = Limits(
    suspect=(0, 90),
    fail=(-55, 125),
    gap_ms=5 * MINUTE,
    every_ms=MINUTE,
    rate=Thresholds(2 / 60, 6 / 60),
    pinned=(0.0, 90.0),
)
SHIPPED = limits_for("dissolved_oxygen", "oxygen", MINUTE)
MOIST = limits_for("bedding_moisture", "generic", MINUTE)
LIMITS = st.sampled_from([TIGHT, NO_FLAT, NO_SPIKE, SHIPPED, MOIST])

VALUES = st.sampled_from([20.0, 20.0, 20.0, 21.0, 22.5, 24.0, 30.0, 50.0, 83.0, 85.0, 85.0, 86.5, 95.0])
SAID = VALUES | st.sampled_from([NAN, INF, -INF, -127.0, -196.6, 200.0, -60.0]) | st.floats(15, 26)
STEPS = st.sampled_from(
    [1, 1000, 30_000, MINUTE, MINUTE, MINUTE, 90_000, 4 * MINUTE, 5 * MINUTE, 5 * MINUTE + 1, 3_600_000]
)
WHY = st.sampled_from([0, 0, 0, int(Why.ARRIVAL), int(Why.FUTURE), int(Why.CALIBRATION)])
SERIES = st.lists(st.tuples(STEPS, SAID, WHY), min_size=1, max_size=40)

Arrays = tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.uint16]]


def arrays(series: list[tuple[int, float, int]]) -> Arrays:
    return (
        np.cumsum([step for step, _, _ in series]).astype(np.int64),
        np.array([value for _, value, _ in series], np.float64),
        np.array([why for _, _, why in series], np.uint16),
    )


def whole(limits: Limits, series: Arrays) -> tuple[list[int], list[int]]:
    t_ms, value, why = series
    flags, reasons, _ = judge(limits, no_memory(), t_ms, value, value, why)
    return flags.tolist(), reasons.tolist()


def in_pieces(limits: Limits, series: Arrays, cuts: list[int], restarts: bool) -> tuple[list[int], list[int]]:
    """Judge piece by piece; with `restarts`, forget everything in between but the rows within `memory_ms`."""
    t_ms, value, why = series
    flags, reasons = np.zeros(t_ms.size, np.uint8), np.zeros(t_ms.size, np.uint16)
    edges = [0, *sorted(min(cut, t_ms.size) for cut in cuts), t_ms.size]
    tail = no_memory()
    for start, end in pairwise(edges):
        if restarts and start:
            kept = np.flatnonzero(t_ms[:start] >= t_ms[start - 1] - limits.memory_ms)
            tail = memory_from_rows(t_ms[kept], value[kept], flags[kept], reasons[kept])
        piece = slice(start, end)
        flags[piece], reasons[piece], tail = judge(limits, tail, t_ms[piece], value[piece], value[piece], why[piece])
    return flags.tolist(), reasons.tolist()


@settings(max_examples=120)
@given(LIMITS, SERIES, st.lists(st.integers(0, 40), max_size=6))
def test_cutting_a_series_changes_no_flag(
    limits: Limits, series: list[tuple[int, float, int]], cuts: list[int]
) -> None:
    """Live pieces of one and a replay of a year are judged alike. Since a piece never sees the next one, this is also
    the proof that no flag depends on a later reading."""
    data = arrays(series)
    assert in_pieces(limits, data, cuts, restarts=False) == whole(limits, data)


@settings(max_examples=120)
@given(LIMITS, SERIES, st.lists(st.integers(0, 40), max_size=6))
def test_stopping_and_starting_changes_no_flag(
    limits: Limits, series: list[tuple[int, float, int]], cuts: list[int]
) -> None:
    """A tail rebuilt from the stored rows of `memory_ms` judges on as if the collector had never stopped."""
    data = arrays(series)
    assert in_pieces(limits, data, cuts, restarts=True) == whole(limits, data)


@settings(max_examples=20)
@given(LIMITS, SERIES)
def test_one_at_a_time_with_a_restart_after_each_changes_no_flag(
    limits: Limits, series: list[tuple[int, float, int]]
) -> None:
    """The hardest case of both."""
    data = arrays(series)
    assert in_pieces(limits, data, list(range(41)), restarts=True) == whole(limits, data)


def test_a_long_series_with_every_kind_of_trouble_is_judged_alike_in_pieces() -> None:
    """Ten thousand seeded readings with glitches, codes, gaps and still stretches, cut at random, restarts between."""
    rng = np.random.default_rng(7)
    count = 10_000
    t_ms = np.cumsum(rng.choice([30_000, MINUTE, 2 * MINUTE, 6 * MINUTE], count, p=[0.2, 0.6, 0.18, 0.02]))
    value = np.round((22 + np.cumsum(rng.normal(0, 0.05, count)).clip(-8, 8)) * 16) / 16
    value[rng.random(count) < 0.3] = 22.0
    for trouble in (NAN, INF, -127.0, 85.0, 60.0, 33.0, 110.0):
        value[rng.random(count) < 0.01] = trouble
    value[4000:4100] = 23.0
    data = (t_ms.astype(np.int64), value, np.zeros(count, np.uint16))
    expected = whole(TIGHT, data)
    assert set(expected[0]) == {1, 3, 4, 9}
    assert in_pieces(TIGHT, data, rng.integers(0, count, 200).tolist(), restarts=True) == expected


@given(LIMITS, SERIES, st.sets(st.integers(1, 39)))
@settings(max_examples=120)
def test_what_is_remembered_of_stored_rows_is_the_same_in_pieces(
    limits: Limits, series: list[tuple[int, float, int]], cuts: set[int]
) -> None:
    """However a long stretch of stored rows is cut when it is read back, what is remembered is that of the whole."""
    t_ms, value, why = arrays(series)
    flags, why, _ = judge(limits, no_memory(), t_ms, value, value, why)
    memory = None
    for start, end in pairwise([0, *sorted(cut for cut in cuts if cut < t_ms.size), t_ms.size]):
        at = slice(start, end)
        memory = memory_from_rows(t_ms[at], value[at], flags[at], why[at], memory)
    assert memory == memory_from_rows(t_ms, value, flags, why)
