"""The numbers of an alarm in words: each kind in the unit of what it compares."""

from dataclasses import replace

import pytest

from collector.alarms.kinds.deviation import other_label
from collector.alarms.kinds.discrepancy import other_probe
from collector.alarms.model import Kind, Rule
from collector.alarms.words import show_amount, show_setpoint, unit_of
from tests.alarms.bench_lab import BROKER, HOT, MIN, SILENT, rule
from tests.alarms.world import DEVIATION, DRYING, PROBES, RATE, SQUEEZE, SUSPECT, UNWATERED
from tests.alarms.world_lab import JT2_TEMPERATURE, LAB, MT_TEMPERATURE, SERIES

TEMPERATURE = "bedding_temperature"


@pytest.mark.parametrize(
    ("of", "value", "metric", "us"),
    [
        (HOT, 31.24, "31.2 °C", "88.2 °F"),
        (rule(HOT, kind=Kind.LOW), 0.0, "0.0 °C", "32.0 °F"),
        (DEVIATION, 5.0, "5.0 °C", "9.0 °F"),
        (DEVIATION, -7.25, "-7.2 °C", "-13.1 °F"),
        (RATE, 2.3, "2.3 °C per h", "4.1 °F per h"),
        (PROBES, 3.0, "3.0 °C", "5.4 °F"),
        (SUSPECT, 33.333, "33 %", "33 %"),
    ],
)
def test_a_value_has_the_unit_of_its_kind(of: Rule, value: float, metric: str, us: str) -> None:
    """A difference of five kelvin is nine degrees Fahrenheit and not forty-one."""
    assert show_amount(of, TEMPERATURE, value) == metric
    assert show_amount(of, TEMPERATURE, value, us=True) == us


def test_moisture_differences_and_forecasts_are_percentages() -> None:
    """What a hand and a probe differ by, and what is foreseen, are both in %."""
    assert show_amount(SQUEEZE, "bedding_moisture", 12.0) == "12.0 %"
    assert show_amount(DRYING, "bedding_moisture", 58.44) == "58.4 %"


@pytest.mark.parametrize("of", [SILENT, BROKER, UNWATERED], ids=str)
def test_kinds_that_last_have_no_value(of: Rule) -> None:
    """Silence and what is overdue compare a time and no value."""
    assert show_amount(of, TEMPERATURE, 5.0) == ""


@pytest.mark.parametrize(
    ("of", "measure", "unit"),
    [
        (HOT, TEMPERATURE, "degC"),
        (DEVIATION, TEMPERATURE, "K"),
        (PROBES, "bedding_moisture", "%"),
        (RATE, TEMPERATURE, "K per h"),
        (RATE, "dissolved_oxygen", "mg/L per h"),
        (SUSPECT, "air_humidity", "%"),
        (DRYING, "bedding_moisture", "%"),
        (SILENT, TEMPERATURE, ""),
    ],
)
def test_programs_are_told_the_unit_of_what_is_stored(of: Rule, measure: str, unit: str) -> None:
    """Differences of temperatures are in kelvin, so that nobody adds 32 to them."""
    assert unit_of(of, measure) == unit


def test_no_value_is_no_words() -> None:
    """An alarm of a probe that said nothing usable."""
    assert show_amount(HOT, TEMPERATURE, None) == ""


@pytest.mark.parametrize(
    ("of", "shown"),
    [
        (HOT, "30.0 °C"),
        (DEVIATION, "+5.0 °C"),
        (rule(DEVIATION, setpoint=-5.0), "-5.0 °C"),
        (RATE, "+6.0 °C per h"),
        (PROBES, "2.0 °C"),
        (SUSPECT, "30 %"),
        (SILENT, "30 min"),
        (rule(UNWATERED, setpoint=36.0 * 60 * MIN), "36 h"),
    ],
)
def test_a_setpoint_has_its_unit_and_its_direction(of: Rule, shown: str) -> None:
    """Only what can go both ways shows a plus; times are shown as times."""
    assert show_setpoint(of) == shown


def test_the_other_of_two_probes_is_named() -> None:
    """For the one that has the alarm; a tray with one probe, or a measure that only one has, names none."""
    two = next(one for one in SERIES if one.id == JT2_TEMPERATURE)
    alone = next(one for one in SERIES if one.id == MT_TEMPERATURE)
    assert other_probe(LAB, two) == "jt"
    assert other_probe(LAB, alone) == other_probe(LAB, replace(two, measure="battery")) == ""


def test_what_a_deviation_is_against_is_said_by_its_label() -> None:
    """The measure in words and the place; what is no measure stands as written."""
    assert other_label(DEVIATION) == ("air temperature", "room")
    assert other_label(SQUEEZE) == ("squeeze test", "")
