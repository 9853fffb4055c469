"""From what a probe said to a flagged value: the same for what comes in and for what is stored."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from collector.domain.readings import Flag, Why
from collector.pipeline.conditioning import Conditioner, conditioners_of
from tests.intake.small_lab import NOW, Room

RAWS = st.lists(st.floats(0, 1) | st.sampled_from([float("nan"), float("inf"), 1e308, -5.0]), min_size=1, max_size=30)


def conditioner(name: str) -> Conditioner:
    room = Room()
    (number,) = (number for number, found in room.names.items() if found == name)
    return conditioners_of(room.lab, room.ids, {})[number]


def times(count: int) -> NDArray[np.int64]:
    return NOW + 60_000 * np.arange(count, dtype=np.int64)


def no_reasons(count: int) -> NDArray[np.uint16]:
    return np.zeros(count, np.uint16)


@given(raws=RAWS, data=st.data())
def test_pieces_give_what_the_whole_gives(raws: list[float], data: st.DataObject) -> None:
    """Whatever was said, as one array or as two: a start and a replay see what the day saw."""
    cut, t_ms, raw = data.draw(st.integers(0, len(raws))), times(len(raws)), np.array(raws)
    whole, parts = conditioner("juniper-top.moisture"), conditioner("juniper-top.moisture")
    value, why = whole.values(t_ms, raw, no_reasons(raw.size))
    flags, why = whole.judge(t_ms, raw, value, why)
    found = []
    for part in (slice(0, cut), slice(cut, None)):
        some, reasons = parts.values(t_ms[part], raw[part], no_reasons(raw[part].size))
        found.append((some, *parts.judge(t_ms[part], raw[part], some, reasons)))
    for one, two in zip((value, flags, why), zip(*found, strict=True), strict=True):
        np.testing.assert_array_equal(one, np.concatenate(two))


def test_a_number_beyond_all_numbers_is_no_value_to_be_trusted() -> None:
    """What a ratio makes of it as a percentage is infinite: it fails, and nothing is said on the way."""
    one, raw = conditioner("juniper-top.moisture"), np.array([1e308])
    value, why = one.values(times(1), raw, no_reasons(1))
    assert np.isinf(value[0])
    assert one.judge(times(1), raw, value, why)[0].tolist() == [Flag.FAIL]


def test_late_readings_are_remembered_by_nobody() -> None:
    """They have flags of their own, and the next reading is judged as if they had not come."""
    one, raw = conditioner("juniper-top.temperature"), np.array([21.5])
    before = one.memory
    flags, why = one.judge_late(raw, raw, no_reasons(1))
    assert (flags.tolist(), why.tolist(), one.memory) == ([Flag.PASS], [Why.LATE], before)


@pytest.mark.parametrize(
    ("name", "raw", "value"), [("juniper-top.moisture", 0.76, 76.0), ("maple-top.moisture", 1785.0, 73.0)]
)
def test_a_value_is_in_the_unit_of_its_measure(name: str, raw: float, value: float) -> None:
    """Converted from the channel's own unit, or by its calibration where it has one."""
    found, _ = conditioner(name).values(times(1), np.array([raw]), no_reasons(1))
    assert found.tolist() == [value]


def test_a_series_the_journal_does_not_know_has_none() -> None:
    """A replay leaves it out."""
    assert conditioners_of(Room().lab, {}, {}) == {}
