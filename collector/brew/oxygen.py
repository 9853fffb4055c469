"""How much oxygen water can hold, and how much of that a brew has.

Source of the formulas: Benson & Krause 1984 (equations 13, 23, 28, 32), as adopted by APHA Standard Methods 4500-O.
Validity: 0 to 40 degC, 0.5 to 1.1 atm, salinity 0 to 40 per mille, water in balance with water-saturated air.
Pressure is the station pressure at the site, never the sea-level-reduced "barometer" of a weather report.
"""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ATM_KPA = 101.325
_LOWEST_C, _HIGHEST_C = 0.0, 40.0
_LOWEST_ATM, _HIGHEST_ATM = 0.5, 1.1
_KELVIN = 273.15


def pressure_kpa(altitude_m: float) -> float:
    """Mean pressure at an altitude: the standard atmosphere up to 11 km (ISO 2533; the form is from memory)."""
    return float(ATM_KPA * (1 - 2.25577e-5 * altitude_m) ** 5.25588)


def saturations_mg_l(temp_c: FloatArray, kpa: float = ATM_KPA, salinity: float = 0.0) -> FloatArray:
    """Oxygen in saturated water, mg/L, at each temperature, degC; `salinity` in per mille. NaN outside the validity of
    the formulas."""
    atm = kpa / ATM_KPA
    if not (_LOWEST_ATM <= atm <= _HIGHEST_ATM and 0 <= salinity <= 40):
        return np.full(temp_c.size, np.nan)
    valid = np.where((temp_c >= _LOWEST_C) & (temp_c <= _HIGHEST_C), temp_c, np.nan)
    kelvin = valid + _KELVIN
    at_one_atm = np.exp(
        -139.34411 + 1.575701e5 / kelvin - 6.642308e7 / kelvin**2 + 1.243800e10 / kelvin**3 - 8.621949e11 / kelvin**4
    )
    salted = np.exp(-salinity * (0.017674 - 10.754 / kelvin + 2140.7 / kelvin**2))
    held: FloatArray = at_one_atm * salted * _pressure_factor(valid, atm)
    return held


def _pressure_factor(temp_c: FloatArray, atm: float) -> FloatArray:
    """Saturation at a pressure over that at one atmosphere. `theta` takes degC: feeding it kelvin is a known slip."""
    kelvin = temp_c + _KELVIN
    vapour = np.exp(11.8571 - 3840.70 / kelvin - 216961 / kelvin**2)
    theta = 0.000975 - 1.426e-5 * temp_c + 6.436e-8 * temp_c**2
    factor: FloatArray = (atm - vapour) * (1 - theta * atm) / ((1 - vapour) * (1 - theta))
    return factor
