"""Quantities within the texts of rules: how they are written and how each lab reads them."""

import pytest

from collector.domain.said_quantities import in_units_of, slips_in


@pytest.mark.parametrize(
    ("written", "metric", "us"),
    [
        ("{35 degC}", "35 °C", "95 °F"),
        ("{4 degC}", "4 °C", "39.2 °F"),
        ("{-5 degC}", "-5 °C", "23 °F"),
        ("{75 degF}", "23.9 °C", "75 °F"),
        ("{12.8-25 degC}", "12.8-25 °C", "55-77 °F"),
        ("{5 K}", "5 °C", "9 °F"),
        ("+{6 K}", "+6 °C", "+10.8 °F"),
        ("{0.25 L}", "0.25 L", "8 fl oz"),
        ("{1 cup}", "0.237 L", "8 fl oz"),
        ("{0.5-1 L}", "0.5-1 L", "17 fl oz to 1.1 qt"),
        ("{7 kg}", "7 kg", "15.4 lb"),
        ("{2000 m}", "2000 m", "6562 ft"),
        ("{0.165 m2}", "0.165 m2", "1.78 ft2"),
    ],
)
def test_a_quantity_is_shown_as_the_lab_reads_it(written: str, metric: str, us: str) -> None:
    """Temperatures and their differences, ranges, water, masses, lengths and areas, within a sentence."""
    assert list(slips_in(f"about {written} a day")) == []
    assert in_units_of(f"about {written} a day", us=False) == f"about {metric} a day"
    assert in_units_of(f"about {written} a day", us=True) == f"about {us} a day"


@pytest.mark.parametrize(
    ("text", "slip"),
    [
        ("at {35 C}", "'{35 C}': 'C' is not a unit of a text; did you mean '{35 degC}'?"),
        ("at {12-25 C}", "did you mean '{12-25 degC}'?"),
        ("at {35 parsec}", "'parsec' is not a unit of a text; use one of "),
        ("at {warm}", "'{warm}' is not a quantity; write it like {35 degC}, {12-25 degC} or {0.25 L}"),
        ("at {}", "'{}' is not a quantity"),
        ("at {35 degC", "has a brace without its other one"),
        ("at 35 degC}", "has a brace without its other one"),
    ],
)
def test_a_bad_quantity_is_told_and_stays_as_it_is_written(text: str, slip: str) -> None:
    """The slip says what would be right; the text still reads, in either system."""
    (found,) = slips_in(text)
    assert slip in found
    assert in_units_of(text, us=False) == in_units_of(text, us=True) == text
