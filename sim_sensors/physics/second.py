"""A second author's drying, heating and rotting, beside those of `air`, `heat` and `feed`.

Nothing in it follows from the first: water leaves by another published formula and is held by the bedding in another
way, walls pass more heat the larger the difference is, and what rots goes the faster the warmer it is. So what holds
under one set of equations alone shows. Units stand in the names.
"""

import math
from enum import Enum


class Equations(Enum):
    FIRST = "first"
    """Penman 1963, Newton's law, feed that heats by a curve in time."""
    SECOND = "second"
    """Carrier 1918, natural convection, Haug 1993: this module."""


OPENS_H = 6.0
"""Time constant with which scraps are taken over by what rots them, h (common practice, no source)."""
PER_DAY = 0.25
"""Rate of rotting at 20 degC and no shortage of water, 1/d: the fast part of food waste; Haug (1993) gives 0.005 to 0.1
for slower matter (from memory)."""
FASTEST = 3.0
"""Of the rate at 20 degC, with the air that comes to a pocket by itself (common practice, no source)."""
_HELD = 1.1
"""Moisture, kg for each kg dry, from which bedding gives up water with 63 % of the pressure of free water: cellulose
and peat are sorption-bound below some 0.25 and capillary-bound to about 1 (common practice, no source)."""


def drying_kg_m2_s(deficit_kpa: float, speed_m_s: float, heat_j_kg: float) -> float:
    """Evaporation of a water surface, kg/(m2 s): Carrier (1918) as ASHRAE gives it for pools, (0.089 + 0.0782 v) dp / Y
    with dp in kPa and Y in kJ/kg (from memory); for v up to 0.7 m/s, used here to 2."""
    return (0.089 + 0.0782 * speed_m_s) * deficit_kpa / (heat_j_kg / 1000)


def activity(water_kg_kg: float) -> float:
    """Share of the pressure of free water that bedding holds, at a moisture in kg for each kg dry: Henderson's form
    (1952), 1 - exp(-(w/w0)^n) with n = 1, whose w0 is ours. 0.99 at 83 % wet basis, 0.74 at 60 %."""
    return -math.expm1(-water_kg_kg / _HELD)


def walls_w_k(sides_w_k: float, difference_k: float) -> float:
    """Heat through walls and lid, W/K: half of it conduction; half natural convection, which goes with the fourth root
    of the difference (laminar plates, Holman); equal to `sides_w_k` at 5 K."""
    return float(sides_w_k * (0.5 + 0.5 * (abs(difference_k) / 5) ** 0.25))


def open_w_m2_k(speed_m_s: float, difference_k: float) -> float:
    """Heat passed by an open surface, W/(m2 K): natural convection over a warm plate 1.52 dT^(1/3) (Holman) and
    radiation at 5.7 W/(m2 K), or what a draught passes where that is more: 5.7 + 10 v^0.5 (no source)."""
    return float(5.7 + max(1.52 * abs(difference_k) ** (1 / 3), 10 * math.sqrt(speed_m_s)))


def pace(temp_c: float, solids: float) -> float:
    """Speed of rotting beside that at 20 degC in water enough: Haug (1993), 1.066^(T-20) - 1.21^(T-60) for the
    temperature and 1 / (1 + exp(-17.684 (1 - S) + 7.0622)) for a share S of solids (from memory); none at frost. No
    faster than FASTEST: his piles are blown with air, a pocket in a tray is not."""
    if temp_c <= 0:
        return 0.0
    warm = 1.066 ** (temp_c - 20) - 1.21 ** (temp_c - 60)
    return min(FASTEST, max(0.0, float(warm))) / (1 + math.exp(-17.684 * (1 - solids) + 7.0622))


def rotting(fresh_kg: float, rotting_kg: float, temp_c: float, solids: float, seconds: float) -> tuple[float, float]:
    """(fresh, rotting) feed `seconds` later, kg: it opens up with OPENS_H, then rots at PER_DAY times `pace`."""
    slow = min(1.0, max(0.0, temp_c / 15))
    opened = fresh_kg * -math.expm1(-slow * seconds / (OPENS_H * 3600))
    left = math.exp(-PER_DAY * pace(temp_c, solids) * seconds / 86_400)
    return fresh_kg - opened, (rotting_kg + opened) * left
