"""DS18B20 temperatures as the maker's data sheet prints them, put through the limits of that model.

Source: the maker's data sheet, temperature/data relationship table: 16 bits two's complement, 1/16 degC each.
Codes: constants of a widely used Arduino temperature library (-127 disconnected, -196.6 the same in degF, -251..-254).
"""

import numpy as np
import pytest

from collector.domain.probe_models import limits_for
from collector.domain.quality import QualityMemory, Seen, judge, judge_late, no_memory
from collector.domain.readings import Flag, Why

LIMITS = limits_for("bedding_temperature", "ds18b20", 60_000)
DATA_SHEET = [
    ("07D0", 125.0, Flag.SUSPECT),
    ("0550", 85.0, Flag.MISSING),
    ("0191", 25.0625, Flag.PASS),
    ("00A2", 10.125, Flag.PASS),
    ("0008", 0.5, Flag.PASS),
    ("0000", 0.0, Flag.PASS),
    ("FFF8", -0.5, Flag.PASS),
    ("FF5E", -10.125, Flag.SUSPECT),
    ("FE6F", -25.0625, Flag.SUSPECT),
    ("FC90", -55.0, Flag.SUSPECT),
]


def degrees(register: str) -> float:
    return int.from_bytes(bytes.fromhex(register), "big", signed=True) / 16


def flag_of(raw: float, tail: QualityMemory | None = None) -> tuple[int, Why]:
    value = np.array([raw])
    flags, why, _ = judge(LIMITS, tail or no_memory(), np.array([60_000]), value, value, np.zeros(1, np.uint16))
    return int(flags[0]), Why(int(why[0]))


@pytest.mark.parametrize(("register", "celsius", "flag"), DATA_SHEET)
def test_every_value_of_the_data_sheet_is_one_the_probe_can_measure(register: str, celsius: float, flag: Flag) -> None:
    """No value of the table fails: a bed's temperatures pass, the far ends are doubted, the power-up one is missing."""
    assert degrees(register) == celsius
    assert flag_of(celsius)[0] == flag


@pytest.mark.parametrize("register", ["07D1", "FC8F"])
def test_one_step_past_the_ends_of_the_table_fails(register: str) -> None:
    """The measuring span of -55 to 125 degC ends exactly there: 125.0625 and -55.0625 cannot be measured."""
    flag, why = flag_of(degrees(register))
    assert flag == Flag.FAIL
    assert Why.RANGE_FAIL in why


@pytest.mark.parametrize("code", [-127.0, -196.6, -251.0, -252.0, -253.0, -254.0, float(np.float32(-196.6))])
def test_codes_for_no_value_are_missing_not_failed(code: float) -> None:
    """What the library returns in place of a temperature is no reading, and the reason is the code alone."""
    assert flag_of(code) == (Flag.MISSING, Why.SENTINEL)


def test_a_value_beside_a_code_is_just_out_of_range() -> None:
    """-126.9 is no code of anyone's."""
    assert flag_of(-126.9)[0] == Flag.FAIL


def test_the_power_up_value_is_missing_after_a_start_and_after_a_jump() -> None:
    """85 degC with nothing before it, or with a bed at 24 degC a minute before it, was never measured."""
    bed = Seen(0, 24.0)
    assert flag_of(85.0) == (Flag.MISSING, Why.SENTINEL)
    assert flag_of(85.0, QualityMemory(last=bed, still_since_ms=0, spike_ok=bed, rate_ok=bed)) == (
        Flag.MISSING,
        Why.SENTINEL,
    )


def test_the_power_up_value_is_only_doubted_after_a_small_step() -> None:
    """A probe that read 84.5 a minute before may well read 85 now."""
    hot = Seen(0, 84.5)
    assert flag_of(85.0, QualityMemory(last=hot, still_since_ms=0, spike_ok=hot, rate_ok=hot)) == (
        Flag.SUSPECT,
        Why.SENTINEL | Why.RANGE_SUSPECT,
    )


def test_a_late_power_up_value_is_missing() -> None:
    """Out of order nothing is known of its neighbours."""
    late = np.array([85.0, -127.0, 20.0, 126.0])
    flags, why = judge_late(LIMITS, late, late, np.zeros(4, np.uint16))
    assert flags.tolist() == [Flag.MISSING, Flag.MISSING, Flag.PASS, Flag.FAIL]
    assert why.tolist() == [
        Why.LATE | Why.SENTINEL,
        Why.LATE | Why.SENTINEL,
        Why.LATE,
        Why.LATE | Why.RANGE_FAIL,
    ]


@pytest.mark.parametrize(("unit", "power_up", "disconnected"), [("degF", 185.0, -196.6), ("K", 358.15, 146.15)])
def test_codes_are_known_in_the_unit_the_probe_sends(unit: str, power_up: float, disconnected: float) -> None:
    """A probe that sends degF powers up at 185; its 85 is a warm bed of 29.4 degC."""
    limits = limits_for("bedding_temperature", "ds18b20", 60_000, unit)
    raw = np.array([85.0 if unit == "degF" else 302.6, power_up, disconnected])
    value = (raw - 32) / 1.8 if unit == "degF" else raw - 273.15
    flags, _, _ = judge(limits, no_memory(), np.array([1, 60_001, 120_001]), raw, value, np.zeros(3, np.uint16))
    assert flags.tolist() == [Flag.PASS, Flag.MISSING, Flag.MISSING]
