"""A brewer: a pail of tea with an air pump. Heat, oxygen, food and foam.

Oxygen: dC/dt = kLa (C* - C) - uptake; uptake is that of the compost in it, plus that of the food added, which rises
as what lives on it multiplies and falls as it is used up.
"""

import math
from dataclasses import dataclass
from enum import Enum

from sim_sensors.physics import oxygen

WATER_J_L_K = 4180.0
"""Heat one litre of water holds, J/(L K), at 20 degC (from memory)."""
BREATH_J_MG = 14.1
"""Heat given off for each mg of oxygen taken up, J: some 450 kJ/mol of O2, whatever is burnt (from memory)."""
FOOD_PER_H = 0.03
"""Share of the food used in an hour at 20 degC, once all lives on it (common practice, no source)."""
OXYGEN_PER_FOOD = 0.4
"""Oxygen taken up for each g of food used, g; sugar burnt whole takes 1.07, the rest becomes living matter (common
practice, no source)."""
GROWTH_H = 2.0
"""Time constant with which life on the food multiplies, h; it begins with a tenth of what it can be (common practice,
no source)."""
FOAM_CM_G_L = 3.0
"""Foam in the end for each g/L of food while air bubbles, cm (common practice, no source)."""
FOAM_H = 0.5
"""Time in which foam covers 63 % of the way to that, or collapses, h (common practice, no source)."""
FOAM_HINDERS_CM = 10.0
"""Foam tells of surface-active matter; this much of it halves the transfer from bubbles. Waste water lies at 0.4-0.9 of
clean water (from memory)."""


class Phase(Enum):
    STEADY = "steady"
    """Brewing without beginning or end."""
    WATER = "water"
    """Clean water, standing."""
    BREWING = "brewing"
    HELD = "held"
    """Air is off; waiting to be used."""


@dataclass(frozen=True, slots=True)
class Brewer:
    volume_l: float
    aeration_per_h: float
    """kLa at 20 degC with the pump running, 1/h."""
    surface_per_h: float
    """kLa at 20 degC of the still surface, 1/h."""
    uptake_mg_l_h: float
    """Oxygen the compost in it takes up at 20 degC, mg/(L h)."""
    walls_w_k: float = 2.0
    pressure_atm: float = 1.0


@dataclass(frozen=True, slots=True)
class Tea:
    temp_c: float
    oxygen_mg_l: float
    pump_on: bool
    phase: Phase = Phase.STEADY
    phase_s: float = 0.0
    """Time since the phase began."""
    food_g_l: float = 0.0
    foam_cm: float = 0.0


@dataclass(frozen=True, slots=True)
class Oxygen:
    """Oxygen that came in through bubbles and surface, and that the brew used, in one step, mg/L; food used, g/L; heat
    from its breathing and from the room, J."""

    in_mg_l: float
    used_mg_l: float
    food_g_l: float = 0.0
    breath_j: float = 0.0
    room_j: float = 0.0


def begun(tea: Tea, phase: Phase, food_g_l: float, pressure_atm: float = 1.0) -> Tea:
    """The tea as a phase begins: a brew with its food; what is held stays as it was; tea that was used is followed by
    clean water with all the oxygen it holds."""
    if phase is Phase.HELD:
        return Tea(tea.temp_c, tea.oxygen_mg_l, False, phase, 0.0, tea.food_g_l, tea.foam_cm)
    level = tea.oxygen_mg_l
    if phase is Phase.WATER and tea.phase is not Phase.STEADY:
        level = oxygen.saturation_mg_l(tea.temp_c, pressure_atm)
    return Tea(tea.temp_c, level, phase is not Phase.WATER, phase, 0.0, food_g_l, 0.0)


def step(
    brewer: Brewer, tea: Tea, room_c: float, pump_on: bool, seconds: float, strength: float = 1.0
) -> tuple[Tea, Oxygen]:
    """The tea `seconds` later; `strength` is what is left of the pump's air. Exact for temperature, food and foam that
    hold during the step."""
    hours = seconds / 3600
    transfer = oxygen.transfer_per_h(_transfer_20(brewer, tea, pump_on, strength), tea.temp_c)
    plain, on_food = _uptakes(brewer, tea)
    uptake = oxygen.uptake_mg_l_h(plain + on_food, tea.temp_c)
    saturation = oxygen.saturation_mg_l(tea.temp_c, brewer.pressure_atm)
    level = oxygen.after(tea.oxygen_mg_l, saturation, transfer, uptake, hours)
    brought = _transferred(tea.oxygen_mg_l, saturation, transfer, uptake, hours)
    used = tea.oxygen_mg_l + brought - level
    breath_j = used * BREATH_J_MG * brewer.volume_l
    temp, room_j = _heated(brewer, tea.temp_c, room_c, breath_j, seconds)
    eaten = min(tea.food_g_l, used * on_food / (plain + on_food) / OXYGEN_PER_FOOD / 1000) if on_food > 0 else 0.0
    foam = _foam_cm(tea, pump_on, strength, hours)
    after = Tea(temp, level, pump_on, tea.phase, tea.phase_s + seconds, tea.food_g_l - eaten, foam)
    return after, Oxygen(brought, used, eaten, breath_j, room_j)


def _transfer_20(brewer: Brewer, tea: Tea, pump_on: bool, strength: float) -> float:
    """kLa at 20 degC: that of the surface, and what the bubbles add, less what foam hinders."""
    if not pump_on:
        return brewer.surface_per_h
    bubbles = (brewer.aeration_per_h - brewer.surface_per_h) * strength
    return brewer.surface_per_h + bubbles / (1 + tea.foam_cm / FOAM_HINDERS_CM)


def _uptakes(brewer: Brewer, tea: Tea) -> tuple[float, float]:
    """Uptake of the compost and of what lives on the food, mg/(L h) at 20 degC."""
    if tea.phase is Phase.WATER:
        return 0.0, 0.0
    alive = 1 / (1 + 9 * math.exp(-tea.phase_s / 3600 / GROWTH_H)) if tea.phase is Phase.BREWING else 1.0
    return brewer.uptake_mg_l_h, 1000 * OXYGEN_PER_FOOD * FOOD_PER_H * tea.food_g_l * alive


def _heated(brewer: Brewer, temp_c: float, room_c: float, breath_j: float, seconds: float) -> tuple[float, float]:
    """(degC afterwards, J from the room): exchange with the room by the closed form, with the heat of breathing."""
    whole = brewer.volume_l * WATER_J_L_K
    towards = room_c + breath_j / seconds / brewer.walls_w_k
    temp = temp_c + (towards - temp_c) * -math.expm1(-seconds * brewer.walls_w_k / whole)
    return temp, whole * (temp - temp_c) - breath_j


def _foam_cm(tea: Tea, pump_on: bool, strength: float, hours: float) -> float:
    height = FOAM_CM_G_L * tea.food_g_l * strength if pump_on else 0.0
    return tea.foam_cm + (height - tea.foam_cm) * -math.expm1(-hours / FOAM_H)


def _transferred(start: float, saturation: float, transfer: float, uptake: float, hours: float) -> float:
    """Integral of kLa (C* - C) over the step, mg/L, from the closed form of C; where C would pass below 0 it is the
    transfer into water without oxygen that bounds it, and the brew uses just what comes in."""
    if transfer == 0:
        return 0.0
    level = saturation - uptake / transfer
    whole = uptake * hours + (level - start) * -math.expm1(-transfer * hours)
    return min(whole, transfer * saturation * hours)
