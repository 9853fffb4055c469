"""Fresh feed in its pocket: a lump of scraps that rots, heats, and turns into bedding.

Feed goes through two stages of one length: fresh -> rotting -> gone, each emptied at the rate 1/tau. A feed put in at
t = 0 then heats with q t/tau^2 exp(-t/tau): nothing at first, most at tau, then less and less. The shape is ours; its
tau, and the conductance of the pocket, are set so that a large overfeed does what a hobby log saw (20 degC, 30.6 the
next day, 36 the day after, while the edge of the bed stayed at 24-26).
"""

import math
from dataclasses import dataclass

from sim_sensors.physics import second
from sim_sensors.physics.second import Equations

WATER_J_KG_K = 4186.0
"""Specific heat of water, J/(kg K), 15-35 degC within 0.2 % (from memory)."""
DRY_J_KG_K = 1400.0
"""Specific heat of dry paper, coir, scraps and castings, J/(kg K): between wood and mineral soil (common practice, no
source)."""
WATER = 0.85
"""Water in kitchen scraps, mass fraction: vegetable waste is at 87 % (from memory)."""
J_KG_K = WATER * WATER_J_KG_K + (1 - WATER) * DRY_J_KG_K
"""Specific heat of feed, J/(kg K)."""
BURNT = 0.5
"""Share of the dry matter of feed that rots away to carbon dioxide and water; the rest stays as castings (common
practice, no source)."""
HEAT_J_KG = 1.1e6
"""Heat one kg of fresh feed gives off in all, J/kg: its burnt dry matter at some 15 MJ/kg (common practice, no
source)."""
HEAT_J_KG_BURNT = HEAT_J_KG / (BURNT * (1 - WATER))
"""Heat of each kg of dry matter burnt, J/kg: 14.7 MJ/kg, near that of cellulose and sugar (from memory)."""
WATER_MADE = 0.6
"""Water made by each kg of dry matter burnt, kg: C6H12O6 gives 6 H2O, 108 g of each 180 g."""
LITRE_KG = 0.7
"""Mass of a litre of scraps in their pocket, kg (common practice, no source)."""
CONDUCTIVITY_W_M_K = 0.45
"""Conductivity of damp bedding around the pocket, W/(m K): published composts lie at 0.3-0.6 (from memory)."""
CRUMB_KG = 0.002
"""A pocket smaller than this is part of the bedding, kg."""


@dataclass(frozen=True, slots=True)
class Pocket:
    """The feed in a tray, as one lump. Energy is counted from 0 degC."""

    fresh_kg: float = 0.0
    rotting_kg: float = 0.0
    energy_j: float = 0.0
    tau_s: float = 172_800.0
    """Time to the most heat; of feeds put together the mean."""
    mixed: float = 0.0
    """Share of the heat that arises outside the pocket, in bedding the feed was stirred or soaked into."""

    @property
    def mass_kg(self) -> float:
        return self.fresh_kg + self.rotting_kg

    @property
    def capacity_j_k(self) -> float:
        return self.mass_kg * J_KG_K

    @property
    def temp_c(self) -> float:
        """degC. Only where there is a pocket."""
        return self.energy_j / self.capacity_j_k


EMPTY = Pocket()


def added(pocket: Pocket, feed_kg: float, temp_c: float, tau_s: float, mixed: float = 0.0) -> Pocket:
    """The pocket with `feed_kg` of fresh feed at `temp_c` more in it."""
    whole = pocket.mass_kg + feed_kg
    if whole <= 0:
        return pocket
    share = feed_kg / whole
    return Pocket(
        pocket.fresh_kg + feed_kg,
        pocket.rotting_kg,
        pocket.energy_j + feed_kg * J_KG_K * temp_c,
        pocket.tau_s + share * (tau_s - pocket.tau_s),
        pocket.mixed + share * (mixed - pocket.mixed),
    )


def pace(temp_c: float) -> float:
    """Speed of rotting beside that at room temperature: slower under 15 degC, none at 0; none from 70 degC on, where
    what rots it dies (common practice, no source). From 15 to 55 degC it is 1: the heating curve holds that already."""
    return max(0.0, min(1.0, temp_c / 15, (70 - temp_c) / 15))


def rotted(pocket: Pocket, seconds: float, equations: Equations = Equations.FIRST) -> tuple[Pocket, float]:
    """The pocket `seconds` later, and how much feed rotted, kg. What is gone took its share of the heat along; the
    heat it gave off is not yet in."""
    if equations is Equations.SECOND:
        left = second.rotting(pocket.fresh_kg, pocket.rotting_kg, pocket.temp_c, 1 - WATER, seconds)
        return _left(pocket, *left)
    passed = seconds / pocket.tau_s * pace(pocket.temp_c)
    stays = math.exp(-passed)
    return _left(pocket, pocket.fresh_kg * stays, (pocket.rotting_kg + pocket.fresh_kg * passed) * stays)


def eaten(pocket: Pocket, wanted_kg: float) -> tuple[Pocket, float]:
    """The pocket after worms ate of what is rotting, and how much that was, kg; they leave fresh feed alone."""
    return _left(pocket, pocket.fresh_kg, max(0.0, pocket.rotting_kg - wanted_kg))


def _left(pocket: Pocket, fresh_kg: float, rotting_kg: float) -> tuple[Pocket, float]:
    gone = pocket.mass_kg - fresh_kg - rotting_kg
    energy = pocket.energy_j - gone * J_KG_K * pocket.temp_c
    return Pocket(fresh_kg, rotting_kg, energy, pocket.tau_s, pocket.mixed), gone


def warmed(pocket: Pocket, heat_j: float) -> Pocket:
    return Pocket(pocket.fresh_kg, pocket.rotting_kg, pocket.energy_j + heat_j, pocket.tau_s, pocket.mixed)


def conductance_w_k(mass_kg: float) -> float:
    """Heat between a pocket and the bedding around it, W/K: 4 pi k R, a sphere in a wide medium at rest."""
    radius_m = math.cbrt(3 * mass_kg / LITRE_KG / 1000 / (4 * math.pi))
    return 4 * math.pi * CONDUCTIVITY_W_M_K * radius_m
