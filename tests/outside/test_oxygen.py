"""Oxygen saturation against printed tables, the reference library gsw, and values worked out apart from this code."""

import math

import gsw
import numpy as np
import pytest

from collector.brew.oxygen import ATM_KPA, pressure_kpa, saturations_mg_l

# EN 25814 / ISO 5814 table, as printed in meter manuals: mg/L at 101.325 kPa, to the last printed digit.
PRINTED = ((0, 14.62), (5, 12.77), (10, 11.29), (15, 10.08), (20, 9.09), (25, 8.26), (30, 7.56), (40, 6.4))

# Benson & Krause 1984 eq 28 and 32, worked out apart from this code to three digits.
PRESSURE = (
    (740 * 0.1333223684, (14.234, 10.987, 8.848, 8.039, 7.351)),
    (700 * 0.1333223684, (13.461, 10.387, 8.358, 7.590, 6.936)),
    (640 * 0.1333223684, (12.300, 9.485, 7.624, 6.917, 6.314)),
)


def saturation_mg_l(celsius: float, kpa: float = ATM_KPA, salinity: float = 0.0) -> float:
    return float(saturations_mg_l(np.array([celsius], np.float64), kpa, salinity)[0])


@pytest.mark.parametrize(("celsius", "printed"), PRINTED)
def test_the_printed_table(celsius: float, printed: float) -> None:
    """Every row of EN 25814 to its last printed digit."""
    digits = 1 if celsius == 40 else 2
    assert round(saturation_mg_l(celsius), digits) == printed


@pytest.mark.parametrize("celsius", range(0, 41))
def test_the_reference_library(celsius: int) -> None:
    """gsw.O2sol_SP_pt (Garcia & Gordon 1992, another fit of the same data, umol/kg) in fresh water."""
    density_kg_l = gsw.rho_t_exact(0.0, float(celsius), 0.0) / 1000
    theirs = gsw.O2sol_SP_pt(0.0, float(celsius)) * 31.9988 / 1000 * density_kg_l
    assert saturation_mg_l(celsius) == pytest.approx(
        theirs, abs=0.0015
    )  # the largest difference between the two fits, at 40 degC


@pytest.mark.parametrize(("kpa", "expected"), PRESSURE)
def test_pressure(kpa: float, expected: tuple[float, ...]) -> None:
    """Lower pressure holds less, by Benson & Krause's ratio, not in proportion."""
    found = tuple(round(saturation_mg_l(t, kpa), 3) for t in (0, 10, 20, 25, 30))
    assert found == pytest.approx(expected, abs=0.0011)


def test_salt_and_altitude() -> None:
    """Salinity factor and standard atmosphere at the worked points (Benson & Krause; ISO 2533, form from memory)."""
    assert round(saturation_mg_l(20, salinity=0.5), 4) == 9.0656
    assert round(saturation_mg_l(25, salinity=5), 4) == 8.0318
    assert round(pressure_kpa(300), 3) == 97.773
    assert round(pressure_kpa(1609.344), 3) == 83.428
    assert round(saturation_mg_l(25, pressure_kpa(1609.344)), 3) == 6.758


def test_six_milligrams_as_a_share() -> None:
    """6 mg/L is 66 % at 20 degC by the sea and 88.8 % at 25 degC a mile up; at 2 km and 30 degC out of reach."""
    assert round(100 * 6 / saturation_mg_l(20), 1) == 66.0
    assert round(100 * 6 / saturation_mg_l(25, pressure_kpa(1609.344)), 1) == 88.8
    assert 100 * 6 / saturation_mg_l(30, pressure_kpa(2000)) > 100


@pytest.mark.parametrize(
    ("celsius", "kpa", "salinity"),
    [(-0.1, ATM_KPA, 0), (40.1, ATM_KPA, 0), (20, 50, 0), (20, 120, 0), (20, ATM_KPA, 41)],
)
def test_outside_its_validity_there_is_no_number(celsius: float, kpa: float, salinity: float) -> None:
    """Out of range is NaN, so that nothing is compared with it."""
    assert math.isnan(saturation_mg_l(celsius, kpa, salinity))
