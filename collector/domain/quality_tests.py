"""The QARTOD tests as plain functions: arrays in, two thresholds, one flag per reading out.

After the IOOS QARTOD manuals for real-time quality control (gap, gross range, spike, rate of change, flat line) and
their reference library ioos-qc 3.0.0. All tests share a form: (arrays, suspect threshold, fail threshold, ...) ->
flags; `t_ms` strictly increasing, time counted in ms and never in rows, math.inf for "never".
A value that is not a number is 9 in every test and no neighbour to anyone.

Alarms act on a flag the moment it is set, so no flag depends on a later reading. Where that or the job makes us differ
from the library on purpose:

- Spike and rate of change compare a reading with the one before it *and* with the last accepted one, and pass it if
  either agrees. A jump is thus doubted until a second reading agrees with it; the return from a single wrong
  reading is not doubted a second time; and of a genuine step only the first reading is doubted. (The library judges a
  spike by the reading after it, flags both sides of a step, and flags the return of a rate.)
- Across a gap longer than `gap_ms` these two are not evaluated (2), nor for the first reading of all. (The library
  divides a jump by the length of the gap, which hides it, and passes the first reading of a rate test.)
- Flat line includes equality with the tolerance, so that tolerance 0 flags identical values. (The library's "<" never
  does.) A stretch does not reach across a gap.
"""

from collections import deque
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from collector.domain.readings import Flag

FlagArray = NDArray[np.uint8]
FloatArray = NDArray[np.float64]
TimeArray = NDArray[np.int64]

PASS, NOT_EVALUATED, SUSPECT, FAIL, MISSING = (int(flag) for flag in Flag)
NO_FLAGS: FlagArray = np.zeros(0, np.uint8)
NEVER_MS = 2**62

# Which flag stands for a reading when tests differ: 4 > 3 > 1 > 2 > 9 (the library's order; manuals leave it open).
# 9 comes last because a test can have nothing to say about a reading that another could judge. A missing value is safe
# all the same: every test of a value says 9 for it, so nothing is left to outrank it. The gap test, which never sees
# the value, is therefore not among the tests combined.
_BY_RANK = np.array([MISSING, NOT_EVALUATED, PASS, SUSPECT, FAIL], np.uint8)
_RANK = np.zeros(256, np.uint8)
_RANK[_BY_RANK] = np.arange(_BY_RANK.size)


def aggregate(*tests: FlagArray) -> FlagArray:
    """One flag per reading from the flags of several tests."""
    rank = _RANK[tests[0]]
    for flags in tests[1:]:
        np.maximum(rank, _RANK[flags], out=rank)
    return _BY_RANK[rank]


def gross_range(value: FloatArray, suspect: tuple[float, float], fail: tuple[float, float]) -> FlagArray:
    """3 outside the span `suspect` (what this place plausibly does), 4 outside `fail` (what the probe can measure).

    Raises ValueError where the suspect span is not inside the fail span: such a pair is a slip in a table.
    """
    if suspect[0] < fail[0] or suspect[1] > fail[1]:
        raise ValueError(f"suspect span {suspect} must lie inside fail span {fail}")
    flags = np.ones(value.size, np.uint8)
    if value.size == 0 or (value.min() >= suspect[0] and value.max() <= suspect[1]):
        return flags
    flags[(value < suspect[0]) | (value > suspect[1])] = SUSPECT
    flags[(value < fail[0]) | (value > fail[1])] = FAIL
    flags[np.isnan(value)] = MISSING
    return flags


def spike(
    t_ms: TimeArray,
    value: FloatArray,
    suspect: float,
    fail: float,
    *,
    gap_ms: int = NEVER_MS,
    prior: FlagArray = NO_FLAGS,
) -> FlagArray:
    """3 or 4 where a reading lies further than the threshold from both the previous and the last accepted reading.

    `prior`: flags this test gave the first readings earlier; they are kept and only the rest is judged.
    """
    return _of_numbers(value, lambda t, v: _unconfirmed(t, v, suspect, fail, gap_ms, 0, prior), t_ms)


def rate_of_change(
    t_ms: TimeArray,
    value: FloatArray,
    suspect: float,
    fail: float,
    *,
    gap_ms: int = NEVER_MS,
    least_ms: int = 1,
    prior: FlagArray = NO_FLAGS,
) -> FlagArray:
    """3 or 4 where a value moved faster than the threshold, per second, seen from both the previous and the last
    accepted reading.

    Readings closer together than `least_ms` count as that far apart: one step of a digital probe over a few
    milliseconds is no rate. `prior` as for `spike`.
    """
    return _of_numbers(value, lambda t, v: _unconfirmed(t, v, suspect, fail, gap_ms, least_ms, prior), t_ms)


def flat_line(
    t_ms: TimeArray,
    value: FloatArray,
    suspect_ms: int,
    fail_ms: int,
    *,
    tolerance: float = 0.0,
    gap_ms: int = NEVER_MS,
) -> FlagArray:
    """3 or 4 where all values, back over at least the threshold time, lie within `tolerance` of each other."""

    def judged(t: TimeArray, v: FloatArray) -> FlagArray:
        return flat_flags(t - still_since(t, v, tolerance=tolerance, gap_ms=gap_ms), suspect_ms, fail_ms)

    return _of_numbers(value, judged, t_ms)


def flat_flags(still_ms: TimeArray, suspect_ms: int, fail_ms: int) -> FlagArray:
    """Flat line flags from how long each reading's value has stood still."""
    flags = np.ones(still_ms.size, np.uint8)
    if still_ms.size and still_ms.max() >= suspect_ms:
        flags[still_ms >= suspect_ms] = SUSPECT
        flags[still_ms >= fail_ms] = FAIL
    return flags


def gap(t_ms: TimeArray, suspect_ms: int, fail_ms: int) -> FlagArray:
    """3 or 4 where a reading comes more than the threshold time after the one before; the first is not evaluated."""
    step_ms = np.diff(t_ms, prepend=t_ms[:1])
    flags = np.ones(t_ms.size, np.uint8)
    flags[step_ms > suspect_ms] = SUSPECT
    flags[step_ms > fail_ms] = FAIL
    flags[:1] = NOT_EVALUATED
    return flags


def still_since(
    t_ms: TimeArray,
    value: FloatArray,
    *,
    tolerance: float = 0.0,
    gap_ms: int = NEVER_MS,
    first_since_ms: int | None = None,
) -> TimeArray:
    """For each reading the earliest time from which on all values lie within `tolerance` of each other.

    `first_since_ms`: that time for the first reading, where identical values (tolerance 0) came before it.
    """
    if t_ms.size == 0:
        return t_ms
    if tolerance > 0:
        return _still_within(t_ms, value, tolerance, gap_ms)
    moved = (value[1:] != value[:-1]) | (np.diff(t_ms) > gap_ms)
    since = np.full(t_ms.size, t_ms[0] if first_since_ms is None else first_since_ms, np.int64)
    np.copyto(since[1:], t_ms[1:], where=moved)
    return np.maximum.accumulate(since, out=since)


def _still_within(t_ms: TimeArray, value: FloatArray, tolerance: float, gap_ms: int) -> TimeArray:
    """Two ends of a window moved along together, its highest and lowest kept in two queues."""
    times, values = t_ms.tolist(), value.tolist()
    highest: deque[int] = deque()
    lowest: deque[int] = deque()
    since, start = [], 0
    for i, number in enumerate(values):
        if i and times[i] - times[i - 1] > gap_ms:
            start = i
        while highest and values[highest[-1]] <= number:
            highest.pop()
        while lowest and values[lowest[-1]] >= number:
            lowest.pop()
        highest.append(i)
        lowest.append(i)
        while highest[0] < start or lowest[0] < start or values[highest[0]] - values[lowest[0]] > tolerance:
            start = max(start, min(highest[0], lowest[0]) + 1)
            while highest[0] < start:
                highest.popleft()
            while lowest[0] < start:
                lowest.popleft()
        since.append(times[start])
    return np.array(since, np.int64)


def _of_numbers(value: FloatArray, test: Callable[[TimeArray, FloatArray], FlagArray], t_ms: TimeArray) -> FlagArray:
    """The test over the readings that are numbers, 9 for the others."""
    missing = np.isnan(value)
    if not missing.any():
        return test(t_ms, value)
    flags = np.full(value.size, MISSING, np.uint8)
    there = ~missing
    flags[there] = test(t_ms[there], value[there])
    return flags


def _unconfirmed(
    t_ms: TimeArray,
    value: FloatArray,
    suspect: float,
    fail: float,
    gap_ms: int,
    per_ms: int,
    prior: FlagArray,
) -> FlagArray:
    """Flags of readings that neither the one before nor the last accepted one confirms.

    Distance is the plain difference where `per_ms` is 0, else the difference per second over at least `per_ms`.
    """
    known = prior.size
    flags = np.ones(value.size, np.uint8)
    if value.size == 0:
        return flags
    step_ms = np.diff(t_ms)
    distance = np.abs(np.diff(value))
    if per_ms:
        distance /= np.maximum(step_ms, per_ms) / 1000.0
    apart, jumped = step_ms > gap_ms, distance > suspect
    flags[0] = NOT_EVALUATED
    flags[1:][apart] = NOT_EVALUATED
    flags[:known] = prior
    doubtful = np.flatnonzero(jumped & ~apart) + 1
    doubtful = doubtful[doubtful >= known]
    if doubtful.size:
        _settle(flags, t_ms, value, distance, doubtful.tolist(), suspect, fail, gap_ms, per_ms, known)
    return flags


def _settle(
    flags: FlagArray,
    t_ms: TimeArray,
    value: FloatArray,
    distance: FloatArray,
    doubtful: list[int],
    suspect: float,
    fail: float,
    gap_ms: int,
    per_ms: int,
    known: int,
) -> None:
    """Walk the few readings that left their predecessor: pass those that return to the last accepted reading."""
    before = np.flatnonzero((flags[:known] == PASS) | (flags[:known] == NOT_EVALUATED))
    accepted = int(before[-1]) if before.size else -1
    doubted = known - 1 if accepted != known - 1 else -1
    for i in doubtful:
        away = float(distance[i - 1])
        if doubted != i - 1:
            accepted = i - 1
        elif accepted >= 0 and (back_ms := int(t_ms[i] - t_ms[accepted])) <= gap_ms:
            back = abs(float(value[i] - value[accepted]))
            away = min(away, back / (max(back_ms, per_ms) / 1000.0) if per_ms else back)
        if away > suspect:
            flags[i] = FAIL if away > fail else SUSPECT
            doubted = i
