"""Measures and quantities as people write and read them."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.domain.units import (
    COMPUTED,
    MEASURES,
    PUBLISHED,
    RAW_UNITS,
    difference_of,
    from_sent,
    known_units,
    meant_unit,
    parse_duration_ms,
    parse_quantity,
    quantity_schema,
    sent_units,
    show_duration,
    show_mass,
    show_value,
    show_volume,
    shown_number,
    shown_unit,
)

DIMENSIONS = ["temperature", "temperature difference", "percent", "humidity", "oxygen", "voltage", "duration"]
DIMENSIONS += ["length", "area", "volume", "mass"]


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        # Temperatures: degC = (degF - 32) / 1.8, K - 273.15 (NIST SP 811 appendix B.8)
        ("24 degC", "temperature", 24.0),
        ("75 degF", "temperature", 43 / 1.8),
        ("131 degF", "temperature", 55.0),
        ("-40 degF", "temperature", -40.0),
        ("0 K", "temperature", -273.15),
        ("1.8 degF", "temperature difference", 1.0),
        ("2 K", "temperature difference", 2.0),
        ("60 %", "percent", 60.0),
        ("60%", "percent", 60.0),
        ("40 %RH", "humidity", 40.0),
        ("6 mg/L", "oxygen", 6.0),
        ("3300 mV", "voltage", 3.3),
        ("30 min", "duration", 1_800_000.0),
        ("1.5 h", "duration", 5_400_000.0),
        # Lengths and areas: 1 ft = 0.3048 m exactly (NIST SP 811)
        ("8 ft", "length", 2.4384),
        ("1 in", "length", 0.0254),
        ("165 mm", "length", 0.165),
        ("1 ft2", "area", 0.09290304),
        # 1 US gal = 3.785411784 L exactly, 1 qt a quarter of it (NIST SP 811)
        ("1 gal", "volume", 3.785411784),
        ("4 qt", "volume", 3.785411784),
        ("250 mL", "volume", 0.25),
        ("1 lb", "mass", 0.45359237),
        ("16 oz", "mass", 0.45359237),
        ("  .5   kg  ", "mass", 0.5),
        ("+1e-3 kg", "mass", 0.001),
        ("0 %", "percent", 0.0),
        ("on", "switch", 1.0),
        (False, "switch", 0.0),
    ],
)
def test_a_quantity_is_read_in_the_canonical_unit(text: object, dimension: str, value: float) -> None:
    """Units convert as NIST SP 811 says, to 1 part in 10^12; a zero is a value like any other."""
    assert parse_quantity(text, dimension) == pytest.approx(value, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "dimension", "said"),
    [
        (24, "temperature", "24 has no unit; write it like '24 degC'"),
        ("42", "length", "'42' has no unit; write it like '1.5 m'"),
        ("dry", "percent", "'dry' is not a quantity of percent; write it like '60 %'"),
        ("", "mass", "'' is not a quantity of mass; write it like '0.5 kg'"),
        (None, "volume", "nothing is not a quantity of volume; write it like '20 L'"),
        ([1], "volume", "a list is not a quantity of volume; write it like '20 L'"),
        ({"a": 1}, "volume", "a group of keys is not a quantity of volume; write it like '20 L'"),
        (True, "percent", "True is not a quantity of percent; write it like '60 %'"),
        ("nan %", "percent", "'nan %' is not a quantity of percent; write it like '60 %'"),
        ("1" * 5000, "percent", f"'{'1' * 39}... is not a quantity of percent; write it like '60 %'"),
        ("1,5 m", "length", "'1,5 m': write decimals with a point, like '1.5 m'"),
        ("24 °C", "temperature", "'24 °C': '°C' is not a unit of temperature; did you mean '24 degC'?"),
        ("75 f", "temperature", "'75 f': 'f' is not a unit of temperature; did you mean '75 degF'?"),
        ("20 l", "volume", "'20 l': 'l' is not a unit of volume; did you mean '20 L'?"),
        ("2 m²", "area", "'2 m²': 'm²' is not a unit of area; did you mean '2 m2'?"),
        ("30 m", "duration", "'30 m': 'm' is not a unit of duration; did you mean '30 min'?"),
        ("5 g", "percent", "'5 g': 'g' is not a unit of percent; use one of %"),
        ("1e999 kg", "mass", "'1e999 kg' is too large"),
        ("off!", "switch", "'off!' is neither on nor off"),
        (1, "switch", "1 is neither on nor off"),
    ],
)
def test_what_is_no_quantity_is_told_with_what_would_be_right(text: object, dimension: str, said: str) -> None:
    """A missing unit, a slip of unit, a comma or nonsense each get a line that says what to write."""
    with pytest.raises(ValueError, match=re.escape(said)) as caught:
        parse_quantity(text, dimension)
    assert str(caught.value) == said


def test_a_difference_of_temperatures_has_no_offset() -> None:
    """1 degF of deadband is 0.56 K, not -17 degC; other dimensions are their own difference."""
    assert difference_of("temperature") == "temperature difference"
    assert difference_of("percent") == "percent"


def test_durations_are_whole_milliseconds_within_ten_years() -> None:
    """Durations come as ints, to the millisecond; negative and endless ones are refused."""
    assert parse_duration_ms("1.001 s") == 1001
    assert parse_duration_ms("0 s") == 0
    with pytest.raises(ValueError, match="'-1 s' is negative; a duration is 0 s or more"):
        parse_duration_ms("-1 s")
    with pytest.raises(ValueError, match="'99999 d' is too long; a duration is 10 years at most"):
        parse_duration_ms("99999 d")


@pytest.mark.parametrize(
    ("measure", "unit", "sent", "value"),
    [
        ("bedding_temperature", "Cel", 21.4375, 21.4375),
        ("bedding_temperature", "K", 294.15, 21.0),
        ("air_temperature", "degF", 170.0, 76.66666666666667),
        ("bedding_moisture", "/", 0.76, 76.0),  # a ratio (RFC 8428 section 12.1)
        ("bedding_moisture", "/100", 75.0, 75.0),  # RFC 8798: 75 "/100" is 0.75 "/"
        ("air_humidity", "%RH", 48.2, 48.2),
        ("dissolved_oxygen", "kg/m3", 0.008, 8.0),  # RFC 8798
        ("battery", "mV", 2950.0, 2.95),
        ("air_pump", "on/off", 1.0, 1.0),
    ],
)
def test_what_probes_send_converts_to_the_canonical_unit(measure: str, unit: str, sent: float, value: float) -> None:
    """SenML units and the plain ones come to the same canonical value."""
    conversion = from_sent(measure, unit)
    assert conversion is not None
    assert sent * conversion[0] + conversion[1] == pytest.approx(value, rel=1e-12)
    assert unit in sent_units(measure)


def test_a_unit_that_does_not_measure_it_has_no_conversion() -> None:
    """A raw count is not moisture until calibrated, and degrees never are."""
    assert from_sent("bedding_moisture", "count") is None
    assert from_sent("bedding_moisture", "Cel") is None


def test_known_units_hold_each_sendable_and_each_raw_unit_once() -> None:
    """The list that the lab file checks against misses nothing and repeats nothing."""
    known = known_units()
    assert len(set(known)) == len(known)
    assert set(RAW_UNITS) <= set(known)
    assert all(set(sent_units(measure)) <= set(known) for measure in MEASURES)


def test_the_unit_meant_is_found_among_those_that_fit() -> None:
    """'celsius' is Cel where probes send it and degC where people write it; what fits nothing is None."""
    assert meant_unit("Celsius", ["K", "Cel"]) == "Cel"
    assert meant_unit("celsius", ["degC"]) == "degC"
    assert meant_unit("MG/L", ["mg/L"]) == "mg/L"
    assert meant_unit("percent", ["%RH"]) == "%RH"
    assert meant_unit("furlong", ["m"]) is None


@pytest.mark.parametrize(
    ("measure", "value", "us", "shown"),
    [
        ("bedding_temperature", 31.24, False, "31.2 °C"),
        ("bedding_temperature", 25.0, True, "77.0 °F"),
        ("bedding_temperature", -0.04, False, "0.0 °C"),
        ("bedding_moisture", 76.4, True, "76.4 %"),
        ("air_humidity", 48.2, False, "48 %"),
        ("dissolved_oxygen", 6.25, False, "6.2 mg/L"),
        ("battery", 2.949, False, "2.95 V"),
        ("air_pump", 0.0, False, "off"),
        ("air_pump", 1.0, False, "on"),
        ("bedding_moisture", 0.0, False, "0.0 %"),
        ("bedding_moisture", None, False, "no value"),
        ("bedding_moisture", math.nan, False, "nan %"),
        ("bedding_temperature", -math.inf, False, "-inf °C"),
    ],
)
def test_values_are_shown_for_people(measure: str, value: float | None, us: bool, shown: str) -> None:
    """A value carries its unit, has no more digits than it deserves, and zero is never negative."""
    assert show_value(measure, value, us) == shown


@pytest.mark.parametrize(
    ("ms", "shown"),
    [
        (-5, "0 s"),
        (45_000, "45 s"),
        (59_600, "1 min"),
        (25 * 60_000, "25 min"),
        (3_599_000, "1 h"),
        (3 * 3_600_000 + 20 * 60_000, "3 h 20 min"),
        (47 * 3_600_000, "47 h"),
        (48 * 3_600_000, "2 d"),
        (52 * 3_600_000, "2 d 4 h"),
    ],
)
def test_durations_are_shown_in_two_units_at_most(ms: int, shown: str) -> None:
    """People read the largest two units; a duration never rounds up to '60 min'."""
    assert show_duration(ms) == shown


def test_every_measure_has_what_its_pages_and_checks_need() -> None:
    """Bounds in order, a label, and a unit that probes can send, but for what no probe sends."""
    for name, measure in MEASURES.items():
        assert measure.name == name
        assert measure.low < measure.high
        assert measure.label
        assert bool(sent_units(name)) == (name in PUBLISHED or name in COMPUTED)


@given(st.sampled_from(DIMENSIONS), st.floats(-1e6, 1e6).map(lambda value: round(value, 6)), st.data())
def test_what_the_schema_takes_is_read(dimension: str, number: float, data: st.DataObject) -> None:
    """A quantity that the editor's pattern lets pass is never refused when the file is read."""
    pattern = str(quantity_schema(dimension)["pattern"])
    text = f"{number:f}{data.draw(st.sampled_from(['', ' ', '  ']))}{data.draw(_unit(pattern))}"
    assert re.search(pattern, text)
    assert math.isfinite(parse_quantity(text, dimension))


def _unit(pattern: str) -> st.SearchStrategy[str]:
    """One of the units that the pattern ends with."""
    units = pattern.rpartition("(")[2].partition(")")[0].split("|")
    return st.sampled_from([re.sub(r"\\(.)", r"\1", unit) for unit in units])


@given(st.text(max_size=50) | st.floats() | st.integers() | st.none(), st.sampled_from([*DIMENSIONS, "switch"]))
def test_anything_is_a_finite_number_or_refused(text: object, dimension: str) -> None:
    """No text, number or nothing ends in NaN, infinity or another error than ValueError."""
    try:
        value = parse_quantity(text, dimension)
    except ValueError:
        return
    assert math.isfinite(value)


@pytest.mark.parametrize(
    ("measure", "us", "number", "unit"),
    [
        ("bedding_temperature", False, 20.0, "°C"),
        ("bedding_temperature", True, 68.0, "°F"),
        ("air_humidity", True, 20.0, "%"),
        ("dissolved_oxygen", False, 20.0, "mg/L"),
        ("air_pump", False, 20.0, ""),
    ],
)
def test_scales_for_people(measure: str, us: bool, number: float, unit: str) -> None:
    """What an axis shows is the number and the unit that sentences say (20 degC is 68 degF; NIST SP 811)."""
    assert (shown_number(measure, 20.0, us), shown_unit(measure, us)) == (number, unit)


@pytest.mark.parametrize(
    ("volume_l", "metric", "us"),
    [(0.0, "0.0 L", "0 fl oz"), (0.6, "0.6 L", "20 fl oz"), (1.42, "1.4 L", "1.5 qt"), (4.54, "4.5 L", "1.2 gal")],
)
def test_volumes_for_people(volume_l: float, metric: str, us: str) -> None:
    """Litres, or the US unit that is handy (1 qt = 0.946352946 L = 32 fl oz; NIST SP 811)."""
    assert (show_volume(volume_l), show_volume(volume_l, us=True)) == (metric, us)


@pytest.mark.parametrize(("mass_kg", "metric", "us"), [(0.4, "0.4 kg", "14 oz"), (0.68, "0.7 kg", "1.5 lb")])
def test_masses_for_people(mass_kg: float, metric: str, us: str) -> None:
    """Kilograms, or ounces and pounds (1 lb = 0.45359237 kg = 16 oz; NIST SP 811)."""
    assert (show_mass(mass_kg), show_mass(mass_kg, us=True)) == (metric, us)
