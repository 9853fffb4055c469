"""A brewer: a pail of tea with an air pump. Heat exchange with the room, oxygen by transfer and uptake."""

import math
from dataclasses import dataclass

from sim_sensors.physics import oxygen

WATER_J_L_K = 4180.0
"""Heat one litre of water holds, J/(L K), at 20 degC (from memory)."""


@dataclass(frozen=True, slots=True)
class Brewer:
    volume_l: float
    aeration_per_h: float
    """kLa at 20 degC with the pump running, 1/h."""
    surface_per_h: float
    """kLa at 20 degC of the still surface, 1/h."""
    uptake_mg_l_h: float
    """Oxygen the brew takes up at 20 degC, mg/(L h)."""
    walls_w_k: float = 2.0
    pressure_atm: float = 1.0


@dataclass(frozen=True, slots=True)
class Tea:
    temp_c: float
    oxygen_mg_l: float
    pump_on: bool


@dataclass(frozen=True, slots=True)
class Oxygen:
    """Oxygen that came in through bubbles and surface, and that the brew used, in one step, mg/L."""

    in_mg_l: float
    used_mg_l: float


def step(brewer: Brewer, tea: Tea, room_c: float, pump_on: bool, seconds: float) -> tuple[Tea, Oxygen]:
    """The tea `seconds` later. Exact for a temperature that holds during the step."""
    hours = seconds / 3600
    transfer = oxygen.transfer_per_h(brewer.aeration_per_h if pump_on else brewer.surface_per_h, tea.temp_c)
    uptake = oxygen.uptake_mg_l_h(brewer.uptake_mg_l_h, tea.temp_c)
    saturation = oxygen.saturation_mg_l(tea.temp_c, brewer.pressure_atm)
    level = oxygen.after(tea.oxygen_mg_l, saturation, transfer, uptake, hours)
    temp = room_c + (tea.temp_c - room_c) * math.exp(-seconds * brewer.walls_w_k / (brewer.volume_l * WATER_J_L_K))
    brought = _transferred(tea.oxygen_mg_l, saturation, transfer, uptake, hours)
    used = tea.oxygen_mg_l + brought - level
    return Tea(temp, level, pump_on), Oxygen(brought, used)


def _transferred(start: float, saturation: float, transfer: float, uptake: float, hours: float) -> float:
    """Integral of kLa (C* - C) over the step, mg/L, from the closed form of C; where C would pass below 0 it is the
    transfer into water without oxygen that bounds it, and the brew uses just what comes in."""
    if transfer == 0:
        return 0.0
    level = saturation - uptake / transfer
    whole = uptake * hours + (level - start) * -math.expm1(-transfer * hours)
    return min(whole, transfer * saturation * hours)
