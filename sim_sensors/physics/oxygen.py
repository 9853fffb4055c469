"""Dissolved oxygen in fresh water."""

import math

KELVIN = 273.15


def saturation_mg_l(temp_c: float, pressure_atm: float = 1.0) -> float:
    """Oxygen that water holds under water-saturated air, mg/L. Benson and Krause (1984) eq. 32 with their pressure
    term; fresh water, 0-40 degC, 0.5-1.1 atm. The dissolved food of a tea is not counted as salt."""
    k = temp_c + KELVIN
    at_1_atm = math.exp(-139.34411 + 1.575701e5 / k - 6.642308e7 / k**2 + 1.243800e10 / k**3 - 8.621949e11 / k**4)
    return at_1_atm * _pressure_factor(temp_c, pressure_atm)


def _pressure_factor(temp_c: float, pressure_atm: float) -> float:
    """C_P / C at 1 atm; `theta` takes degC, `vapour` is in atm (Benson and Krause 1984)."""
    k = temp_c + KELVIN
    vapour = math.exp(11.8571 - 3840.70 / k - 216961 / k**2)
    theta = 0.000975 - 1.426e-5 * temp_c + 6.436e-8 * temp_c**2
    here = (pressure_atm - vapour) * (1 - theta * pressure_atm)
    return here / ((1 - vapour) * (1 - theta))


def transfer_per_h(at_20: float, temp_c: float) -> float:
    """Oxygen transfer coefficient kLa at a temperature, 1/h: kLa20 x 1.024^(T - 20) (ASCE/EWRI 2-06, from memory)."""
    return float(at_20 * 1.024 ** (temp_c - 20))


def uptake_mg_l_h(at_20: float, temp_c: float) -> float:
    """Oxygen uptake of a brew at a temperature, mg/(L h): uptake20 x 1.047^(T - 20), the factor used for the
    decay of organic matter in water (from memory). 5-35 degC. No published uptake of compost tea was found."""
    return float(at_20 * 1.047 ** (temp_c - 20))


def after(start_mg_l: float, saturation: float, transfer: float, uptake: float, hours: float) -> float:
    """Oxygen after `hours`, mg/L: the exact solution of dC/dt = kLa (C* - C) - uptake for constant coefficients.
    Stops at 0: without oxygen nothing is taken up."""
    if transfer == 0:
        return max(0.0, start_mg_l - uptake * hours)
    level = saturation - uptake / transfer
    return max(0.0, level + (start_mg_l - level) * math.exp(-transfer * hours))
