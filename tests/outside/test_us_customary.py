"""US customary units against their definitions: NIST Handbook 44 appendix C and NIST SP 811 appendix B, in cubic
inches, square inches and inches of exactly 2.54 cm. The figures are worked out here from those, not taken from the
program."""

from fractions import Fraction

import pytest

from collector.domain.units import parse_quantity

INCH_M = Fraction(254, 10_000)
GALLON_L = 231 * INCH_M**3 * 1000
POUND_KG = Fraction(45_359_237, 100_000_000)


@pytest.mark.parametrize(
    ("written", "dimension", "exact"),
    [
        ("2 cups", "volume", GALLON_L / 8),
        ("1 cup", "volume", GALLON_L / 16),
        ("8 fl oz", "volume", GALLON_L / 16),
        ("1 pt", "volume", GALLON_L / 8),
        ("1 qt", "volume", GALLON_L / 4),
        ("3 gal", "volume", GALLON_L * 3),
        ("1 tbsp", "volume", GALLON_L / 256),
        ("1 tsp", "volume", GALLON_L / 768),
        ("16 in", "length", INCH_M * 16),
        ("1 ft", "length", INCH_M * 12),
        ("200 sq in", "area", INCH_M**2 * 200),
        ("200 in2", "area", INCH_M**2 * 200),
        ("2 sq ft", "area", INCH_M**2 * 288),
        ("1 lb", "mass", POUND_KG),
        ("8 oz", "mass", POUND_KG / 2),
    ],
)
def test_kitchen_and_yard_units_are_exact(written: str, dimension: str, exact: Fraction) -> None:
    """To the last digits of a float."""
    assert parse_quantity(written, dimension) == pytest.approx(float(exact), rel=1e-15)


@pytest.mark.parametrize(("written", "right"), [("8 oz", "'8 fl oz'"), ("2 Cups", "'2 cup"), ("1 pint", "'1 pt'")])
def test_a_slip_in_a_volume_is_answered_with_the_unit_that_is_meant(written: str, right: str) -> None:
    """Ounces of water are fluid ounces."""
    with pytest.raises(ValueError, match="did you mean") as refused:
        parse_quantity(written, "volume")
    assert right in str(refused.value)
