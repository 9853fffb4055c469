"""Judging a series: codes, gaps, flat lines, what is missing, and what is kept."""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from collector.domain.bedding import BedMemory
from collector.domain.probe_models import Limits, limits_for
from collector.domain.quality import QualityMemory, Seen, judge, judge_late, memory_from_rows, no_memory
from collector.domain.readings import CLEAN, Flag, Why

NAN, INF = math.nan, math.inf
MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
BED = limits_for("bedding_temperature", "ds18b20", MINUTE)
COUNTS = limits_for("bedding_moisture", "capacitive", MINUTE)


@dataclass
class Judged:
    flags: list[int]
    why: list[int]
    tail: QualityMemory


def judged(
    limits: Limits,
    value: list[float],
    *,
    raw: list[float] | None = None,
    t_min: list[float] | None = None,
    why: list[int] | None = None,
    tail: QualityMemory | None = None,
) -> Judged:
    """One call of `judge`: a reading a minute unless `t_min` says otherwise, the raw value equal to the value."""
    values = np.array(value, np.float64)
    t_ms = np.array([round(t * MINUTE) for t in t_min or range(len(value))], np.int64)
    known = np.array(why or [0] * len(value), np.uint16)
    raws = values if raw is None else np.array(raw, np.float64)
    flags, reasons, new_tail = judge(limits, tail or no_memory(), t_ms, raws, values, known)
    assert (flags.dtype.name, reasons.dtype.name) == ("uint8", "uint16")
    return Judged(flags.tolist(), reasons.tolist(), new_tail)


def test_a_healthy_bed_passes() -> None:
    """Ordinary readings are 1; the first of a series is marked as having no neighbour."""
    found = judged(BED, [20.0, 20.0625, 20.125])
    assert found.flags == [1, 1, 1]
    assert found.why == [Why.GAP, 0, 0]


def test_nothing_in_nothing_out() -> None:
    """An empty piece leaves the tail as it is."""
    tail = judged(BED, [20.0]).tail
    found = judged(BED, [], tail=tail)
    assert (found.flags, found.tail) == ([], tail)


def test_the_caller_keeps_its_arrays() -> None:
    """Values are kept as sent and reasons known before are not written over in place."""
    value, why = np.array([20.0, 200.0, NAN]), np.full(3, int(Why.ARRIVAL), np.uint16)
    _, reasons, _ = judge(BED, no_memory(), np.array([1, 2, 3]), value, value, why)
    judge_late(BED, value, value, why)
    assert value[:2].tolist() == [20.0, 200.0]
    assert why.tolist() == [Why.ARRIVAL] * 3
    assert (reasons & Why.ARRIVAL).all()


def test_missing_values_are_missing_and_infinities_fail() -> None:
    """NaN is 9 with its reason, also when a flat calibration made it of an infinity's NaN; an infinity is 4."""
    found = judged(BED, [NAN, INF, -INF, NAN], raw=[NAN, INF, -INF, INF])
    assert found.flags == [9, 4, 4, 4]
    assert found.why == [Why.NOT_A_NUMBER, Why.RANGE_FAIL, Why.RANGE_FAIL, Why.RANGE_FAIL]
    assert found.tail == no_memory()


@pytest.mark.parametrize("count", [0.0, -1.0, 4095.0, 5000.0])
def test_a_pinned_count_fails(count: float) -> None:
    """An input at an end of its converter is a wire off or short, whatever the line makes of it."""
    found = judged(COUNTS, [75.0, 75.0, 75.0], raw=[2000, count, 2000])
    assert found.flags == [1, 4, 1]
    assert found.why[1] == Why.SENTINEL


def test_moisture_past_the_ends_of_its_line_is_doubted_and_kept() -> None:
    """Worked examples 3300/1500 counts: 1400 is 105.56, 3500 is -11.11; both tell wet from dry, neither passes."""
    for value, raw in ((105.56, 1400.0), (-11.11, 3500.0)):
        found = judged(COUNTS, [value], raw=[raw], why=[int(Why.CALIBRATION)])
        assert found.flags == [Flag.SUSPECT]
        assert found.why == [Why.CALIBRATION | Why.RANGE_SUSPECT | Why.GAP]


def test_an_extended_calibration_alone_does_not_degrade_a_reading() -> None:
    """Else an alarm raised past the last point could not clear until the bed was back inside the points."""
    found = judged(BED, [26.0], why=[int(Why.CALIBRATION)])
    assert found.flags == [1]
    assert found.why == [Why.CALIBRATION | Why.GAP]


def test_humidity_past_100_is_doubted_and_100_itself_is_not() -> None:
    """Nothing is clamped: 101 stays 101 with a doubt, 103 fails, and 100 pinned for weeks is condensing bin air."""
    humidity = limits_for("air_humidity", "sht3x", HOUR)
    assert judged(humidity, [101.0, 103.0, -1.0, -3.0], t_min=[0, 600, 1200, 1800]).flags == [3, 4, 3, 4]
    hours = [60.0 * hour for hour in range(24 * 15)]
    assert set(judged(humidity, [100.0] * len(hours), t_min=hours).flags) == {1}
    assert set(judged(humidity, [63.0] * len(hours), t_min=hours).flags) == {1, 3, 4}


def test_a_reading_of_the_future_is_doubted() -> None:
    """Its time is not its own; what is worse stays worse."""
    found = judged(BED, [20.0, NAN], why=[int(Why.FUTURE)] * 2)
    assert found.flags == [3, 9]


def test_codes_and_failures_are_nobodys_neighbour() -> None:
    """A reading after -127, 85, NaN or 200 degC is compared with the last true one."""
    found = judged(BED, [20.0, -127.0, 20.0, 85.0, NAN, 200.0, 20.0])
    assert found.flags == [1, 9, 1, 9, 9, 4, 1]
    assert found.why[1:] == [Why.SENTINEL, 0, Why.SENTINEL, Why.NOT_A_NUMBER, Why.RANGE_FAIL, 0]


def test_an_honest_climb_through_85_is_doubted_there_only() -> None:
    """Small steps up to 85 and past it: the value itself is doubted, then taken as a neighbour."""
    hot = limits_for("bedding_temperature", "ds18b20", MINUTE)
    found = judged(hot, [83.0, 84.0, 85.0, 85.0, 86.0])
    assert [bool(why & Why.SENTINEL) for why in found.why] == [False, False, True, True, False]
    assert found.flags == [3, 3, 3, 3, 3]  # past 60 degC no bed is plausible


def test_85_after_a_gap_is_missing_however_near_the_last_reading() -> None:
    """After a silence the probe may just have been powered up."""
    found = judged(BED, [84.5, 85.0, 85.0], t_min=[0, 6, 7])
    assert found.flags == [3, 9, 9]


def test_85_after_a_step_too_fast_for_the_rate_is_missing() -> None:
    """3 degC in a minute is no spike but faster than a bed: the value is not believed. In two minutes it is."""
    assert judged(BED, [82.0, 85.0]).flags == [3, 9]
    assert judged(BED, [82.0, 85.0], t_min=[0, 2]).flags == [3, 3]


def test_a_probe_that_stays_at_85_stays_doubted() -> None:
    """Each 85 reached honestly is the neighbour of the next, past the length of a gap."""
    assert judged(BED, [84.5, 85.0, 85.0, 85.0, 85.0], t_min=[0, 2, 4, 6, 8]).flags == [3, 3, 3, 3, 3]


def test_power_up_values_do_not_confirm_each_other() -> None:
    """A probe that keeps restarting says 85 again and again; none of them is a reading."""
    assert judged(BED, [20.0, 85.0, 85.0, 85.0, 20.0]).flags == [1, 9, 9, 9, 1]


def test_a_step_is_doubted_once_and_a_spike_on_the_spike_only() -> None:
    """Cold water: the first reading waits for the second. A glitch: it alone is failed."""
    assert judged(BED, [24.0, 24.0, 18.0, 18.1, 18.0]).flags == [1, 1, 3, 1, 1]
    found = judged(BED, [24.0, 24.0, 54.0, 24.0, 24.0])
    assert found.flags == [1, 1, 4, 1, 1]
    assert found.why[2] == Why.SPIKE | Why.RATE


def test_a_jump_across_a_gap_is_marked_not_failed() -> None:
    """After a silence the neighbour tests are not evaluated; the reading keeps its pass and says why."""
    found = judged(BED, [24.0, 24.0, 40.0, 40.0], t_min=[0, 1, 60, 61])
    assert found.flags == [1, 1, 1, 1]
    assert found.why == [Why.GAP, 0, Why.GAP, 0]


def test_a_gap_is_counted_between_usable_readings() -> None:
    """An hour of -127 is an hour without a reading, and the mark stands on the first true one after it."""
    found = judged(BED, [24.0] + [-127.0] * 60 + [30.0])
    assert found.why[-1] == Why.GAP
    assert found.flags[-1] == Flag.PASS


def test_a_stable_bed_may_stand_still_over_a_weekend_and_a_stuck_probe_may_not() -> None:
    """Identical for under 3 days passes; from 3 days on it is doubted, from a week on failed, until it moves."""
    quarter_hours = [15.0 * n for n in range(4 * 24 * 8)]
    limits = limits_for("bedding_temperature", "ds18b20", 15 * MINUTE)
    found = judged(limits, [21.0625] * len(quarter_hours) + [21.0], t_min=[*quarter_hours, 15.0 * len(quarter_hours)])
    assert found.flags.index(3) == 3 * 24 * 4
    assert found.flags.index(4) == 7 * 24 * 4
    assert found.why[-2] == Why.FLAT
    assert found.flags[-1] == Flag.PASS


@pytest.mark.parametrize("measure", ["air_pump", "battery", "leachate_level", "bedding_moisture"])
def test_what_may_stand_still_is_never_called_flat(measure: str) -> None:
    """A month of the same value from a pump, a battery, a drain or a rounded percentage passes."""
    limits = limits_for(measure, "generic", HOUR)
    hours = [60.0 * hour for hour in range(24 * 31)]
    value = 1.0 if measure == "air_pump" else 12.0
    assert set(judged(limits, [value] * len(hours), t_min=hours).flags) == {1}


def test_a_bed_that_steps_between_two_values_is_not_flat() -> None:
    """One step of 0.0625 degC a day is life."""
    hours = [60.0 * hour for hour in range(24 * 20)]
    limits = limits_for("bedding_temperature", "ds18b20", HOUR)
    value = [21.0 + 0.0625 * (hour // 24 % 2) for hour in range(len(hours))]
    assert set(judged(limits, value, t_min=hours).flags) == {1}


def test_late_readings_are_ranged_and_never_compared() -> None:
    """Range and codes only, each with the reason that it was late."""
    value = np.array([20.0, 70.0, 200.0, NAN])
    flags, why = judge_late(BED, value, value, np.full(4, int(Why.ARRIVAL), np.uint16))
    assert flags.tolist() == [1, 3, 4, 9]
    late = Why.LATE | Why.ARRIVAL
    assert why.tolist() == [late, late | Why.RANGE_SUSPECT, late | Why.RANGE_FAIL, late | Why.NOT_A_NUMBER]
    flags, why = judge_late(COUNTS, np.array([0.0, 2000.0]), np.array([150.0, 75.0]), np.zeros(2, np.uint16))
    assert flags.tolist() == [4, 1]
    assert why.tolist() == [Why.LATE | Why.SENTINEL, Why.LATE]


def test_a_missing_reading_is_never_clean() -> None:
    """Whatever else is said of it, what has no value cannot give the all-clear."""
    for value in ([NAN], [20.0, NAN], [20.0, -127.0], [20.0, 85.0]):
        assert judged(BED, value).flags[-1] not in CLEAN


def test_no_rows_and_useless_rows_make_an_empty_tail() -> None:
    """A series of which only missing, failed or late rows are stored starts afresh."""
    nothing = np.zeros(0)
    empty = memory_from_rows(nothing.astype(np.int64), nothing, nothing.astype(np.uint8), nothing.astype(np.uint16))
    assert empty == no_memory()
    rows = memory_from_rows(
        np.array([1, 2, 3]),
        np.array([NAN, 200.0, 20.0]),
        np.array([9, 4, 1], np.uint8),
        np.array([Why.NOT_A_NUMBER, Why.RANGE_FAIL, Why.LATE], np.uint16),
    )
    assert rows == no_memory()


def test_a_tail_from_rows_knows_what_was_accepted() -> None:
    """Readings doubted by a neighbour test are remembered as neighbours but not as accepted."""
    rows = memory_from_rows(
        np.array([1, 2, 3]),
        np.array([20.0, 20.0, 50.0]),
        np.array([1, 1, 4], np.uint8),
        np.array([Why.GAP, 0, Why.SPIKE], np.uint16),
    )
    assert replace(rows, bed=BedMemory()) == QualityMemory(
        last=Seen(3, 50.0), still_since_ms=3, spike_ok=Seen(2, 20.0), rate_ok=Seen(3, 50.0)
    )
