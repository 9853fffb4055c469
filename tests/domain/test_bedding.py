"""A probe out of its bedding is known by what water cannot do; bedding that dries is told however dry it gets."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from collector.domain.bedding import (
    AIR,
    QUARTER_MS,
    BedMemory,
    out_of_bedding,
    remember_bed,
)
from collector.domain.probe_models import BED_MEMORY_MS, limits_for
from collector.domain.quality import judge, no_memory
from collector.domain.readings import Flag, Why

MINUTE, HOUR = 60_000, 3_600_000
START = 1_772_438_400_000


def out_at(values: list[float], every_ms: int = MINUTE) -> list[bool]:
    """Whether each of these readings, one after the other, is out of the bedding."""
    t_ms = START + every_ms * np.arange(len(values), dtype=np.int64)
    out, _ = out_of_bedding(BedMemory(), t_ms, np.array(values, np.float64))
    return [bool(one) for one in out]


def whys(values: list[float], every_ms: int = MINUTE) -> tuple[list[int], list[bool]]:
    """Flag of each reading, and whether it was found out of the bedding."""
    t_ms = START + every_ms * np.arange(len(values), dtype=np.int64)
    value = np.array(values, np.float64)
    limits = limits_for("bedding_moisture", "generic", every_ms)
    flags, why, _ = judge(limits, no_memory(), t_ms, value, value, np.zeros(value.size, np.uint16))
    return flags.tolist(), ((why & Why.NOT_THE_BEDDING) != 0).tolist()


def test_a_probe_lifted_out_counts_neither_at_once_nor_later_and_counts_again_when_it_is_back() -> None:
    """Forty minutes on a table: from the first reading in air on nothing is believed, and the first one back is."""
    flags, out = whys([75.0] * 180 + [12.0] * 40 + [74.0] * 10)
    assert out == [False] * 180 + [True] * 40 + [False] * 10
    assert set(flags[180:220]) == {Flag.FAIL}
    assert flags[-1] == Flag.PASS


def test_a_probe_that_reports_each_quarter_of_an_hour_or_each_hour_is_known_too() -> None:
    """A battery probe says little, and what it says is enough."""
    assert out_at([75.0] * 16 + [12.0] * 4 + [74.0], QUARTER_MS) == [False] * 16 + [True] * 4 + [False]
    assert out_at([75.0] * 5 + [12.0] * 4 + [74.0], HOUR) == [False] * 5 + [True] * 4 + [False]


def test_a_probe_forgotten_on_a_table_for_days_never_counts() -> None:
    """No bedding jumps to what air reads, so time does not make it true."""
    assert all(out_at([75.0] * 16 + [12.0] * 4 * 24 * 7, QUARTER_MS)[16:])


def test_bedding_that_truly_dries_is_told_however_dry_it_gets() -> None:
    """An open lid beside a heater: two and a half points an hour, from 75 down to 5 %, noise of a point and all."""
    noise = np.random.default_rng(1).normal(0, 1, 28 * 60)
    assert not any(out_at([75 - 2.5 * minute / 60 + noise[minute] for minute in range(28 * 60)]))


def test_bedding_that_was_swapped_for_drier_counts_after_the_hours_that_drying_takes() -> None:
    """From 75 to 50 % at once: not the bedding at first, and after the five hours in which it may have dried so far it
    is."""
    out = out_at([75.0] * 16 + [50.0] * 40, QUARTER_MS)
    assert out[16]
    assert not out[-1]
    assert 4 * HOUR <= (out.index(False, 16) - 16) * QUARTER_MS <= 6 * HOUR


def test_water_that_sinks_past_the_probe_is_no_probe_lifted_out() -> None:
    """A watering shows as a peak of half an hour to an hour that falls off faster than anything dries."""
    assert not any(out_at([70.0] * 180 + [92.0] * 60 + [76.0] * 120))


def test_what_was_held_before_a_long_silence_is_no_floor_after_it() -> None:
    """In a day without readings a tray may have dried by what takes a day."""
    t_ms = START + MINUTE * np.arange(180, dtype=np.int64)
    out, memory = out_of_bedding(BedMemory(), t_ms, np.full(180, 75.0))
    later = np.array([t_ms[-1] + 24 * HOUR], np.int64)
    assert not out.any()
    assert not out_of_bedding(memory, later, np.array([20.0]))[0].any()


def test_a_probe_unheard_for_two_days_while_out_counts_again() -> None:
    """What was known is too old to doubt what it says now."""
    t_ms = START + MINUTE * np.arange(200, dtype=np.int64)
    out, memory = out_of_bedding(BedMemory(), t_ms, np.array([75.0] * 180 + [12.0] * 20))
    assert out[-1]
    assert not out_of_bedding(memory, t_ms[-1:] + 48 * HOUR, np.array([12.0]))[0].any()


def test_a_probe_that_is_new_is_believed() -> None:
    """Nothing is held yet, so a probe laid out of the bedding first and put in later is not told apart."""
    assert not any(out_at([20.0] * 30 + [76.0] * 30 + [20.0]))


def test_what_is_remembered_of_a_probe_that_was_out_all_the_while_holds_no_level() -> None:
    """After a restart with two hours on a table and nothing else: in the bedding again, it is believed at once."""
    t_ms = START + QUARTER_MS * np.arange(8, dtype=np.int64)
    memory = remember_bed(BedMemory(), t_ms, np.full(8, 12.0), np.ones(8, np.bool_))
    assert memory == BedMemory((), -np.inf, int(t_ms[-1] // QUARTER_MS), True)
    out, _ = out_of_bedding(memory, t_ms[-1:] + MINUTE, np.array([75.0]))
    assert out.tolist() == [False]


STEPS = st.sampled_from([MINUTE, MINUTE, QUARTER_MS, QUARTER_MS, 20 * MINUTE, HOUR, 3 * HOUR, 41 * HOUR])
LEVELS = st.sampled_from([75.0, 75.0, 75.0, 74.0, 66.0, 64.9, 60.0, AIR, 34.9, 12.0, 90.0, -15.0, 115.0])
RUNS = st.lists(st.tuples(st.integers(1, 40), STEPS, LEVELS), min_size=1, max_size=12)


def series(runs: list[tuple[int, int, float]]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Readings at one level for so many steps, then at another."""
    steps = np.concatenate([np.full(count, step) for count, step, _ in runs])
    return START + np.cumsum(steps), np.concatenate([np.full(count, level) for count, _, level in runs])


@settings(max_examples=40)
@given(RUNS, st.integers(1, 200))
def test_readings_in_any_pieces_and_after_any_restart_are_judged_alike(
    runs: list[tuple[int, int, float]], size: int
) -> None:
    """All at once, in pieces, and in pieces with all forgotten but what is stored of the last two days."""
    t_ms, value = series(runs)
    whole, _ = out_of_bedding(BedMemory(), t_ms, value)
    for restarts in (False, True):
        found = np.zeros(t_ms.size, np.bool_)
        memory = BedMemory()
        for start in range(0, t_ms.size, size):
            if restarts and start:
                kept = np.flatnonzero(t_ms[:start] >= t_ms[start - 1] - BED_MEMORY_MS)
                memory = remember_bed(BedMemory(), t_ms[kept], value[kept], found[kept])
            part = slice(start, start + size)
            found[part], memory = out_of_bedding(memory, t_ms[part], value[part])
        assert found.tolist() == whole.tolist()
