"""One tray of bedding: dry matter, water and heat.

Water:  d(water) = poured + water in feed - evaporated
Heat:   d(energy) = feed + room + neighbours + brought in by what is added - carried off by what evaporates
Energy is counted from 0 degC, so temperature = energy / heat capacity. Left out so far: drainage, dry matter
lost to decay, the worms, and the pocket of feed as a spot hotter than the tray.
"""

import math
from dataclasses import dataclass

from sim_sensors.physics import air

WATER_J_KG_K = 4186.0
"""Specific heat of water, J/(kg K), 15-35 degC within 0.2 % (from memory)."""
DRY_J_KG_K = 1400.0
"""Specific heat of dry paper, coir and castings, J/(kg K): between wood and mineral soil (common practice, no
source)."""
FEED_WATER = 0.85
"""Water in kitchen scraps, mass fraction (common practice, no source)."""
FEED_HEAT_J_KG = 1.1e6
"""Heat one kg of fresh feed gives off in all, J/kg: 15 % dry matter at some 15 MJ/kg, half of it used up while it is
hot (common practice, no source)."""
DRY_SURFACE_PCT = 50.0
"""Wetter than this (% wet basis) the bedding dries like open water; below, the rate falls in proportion, as in the
falling-rate period of drying (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Tray:
    """What does not change about a tray."""

    area_m2: float
    lid: float
    """Drying with lid and blanket on, as a share of the open tray: 0 sealed, 1 open."""
    sides_w_k: float
    """Heat passed to the room through walls and lid, W/K."""


@dataclass(frozen=True, slots=True)
class Bedding:
    """What is in a tray now."""

    dry_kg: float
    water_kg: float
    energy_j: float

    @property
    def capacity_j_k(self) -> float:
        return self.dry_kg * DRY_J_KG_K + self.water_kg * WATER_J_KG_K

    @property
    def temp_c(self) -> float:
        return self.energy_j / self.capacity_j_k

    @property
    def moisture_pct(self) -> float:
        """Wet basis: water over wet mass."""
        return 100 * self.water_kg / (self.water_kg + self.dry_kg)


@dataclass(frozen=True, slots=True)
class Around:
    """What a tray is exposed to during one step."""

    air_c: float
    vapour_kpa: float
    lid: float
    speed_m_s: float
    feed_w: float
    neighbours_w: float


@dataclass(frozen=True, slots=True)
class Flows:
    """What went in (+) or out (-) in one step: J and kg."""

    feed_j: float
    neighbours_j: float
    room_j: float
    evaporated_kg: float
    evaporation_j: float


def bedding(wet_kg: float, moisture_pct: float, temp_c: float) -> Bedding:
    water = wet_kg * moisture_pct / 100
    dry = wet_kg - water
    return Bedding(dry, water, (dry * DRY_J_KG_K + water * WATER_J_KG_K) * temp_c)


def poured(bed: Bedding, water_kg: float, temp_c: float) -> Bedding:
    """Water poured on at `temp_c`; it mixes in at once."""
    energy = bed.energy_j + water_kg * WATER_J_KG_K * temp_c
    return Bedding(bed.dry_kg, bed.water_kg + water_kg, energy)


def fed(bed: Bedding, feed_kg: float, temp_c: float) -> Bedding:
    """Fresh feed put in at `temp_c`, as water and dry matter."""
    added = bedding(feed_kg, 100 * FEED_WATER, temp_c)
    return Bedding(bed.dry_kg + added.dry_kg, bed.water_kg + added.water_kg, bed.energy_j + added.energy_j)


def feed_power_w(feed_kg: float, age_s: float, peak_after_s: float) -> float:
    """Heat of fresh feed, W: q t exp(-t / tau), rising to its peak at tau = `peak_after_s`, then dying away, and
    FEED_HEAT_J_KG per kg in all. The shape is ours; trade practice is 20 to 36 degC at the pocket in two days."""
    if age_s <= 0:
        return 0.0
    return feed_kg * FEED_HEAT_J_KG * age_s / peak_after_s**2 * math.exp(-age_s / peak_after_s)


def step(tray: Tray, bed: Bedding, around: Around, seconds: float) -> tuple[Bedding, Flows]:
    """The bedding `seconds` later, with the flows that made it so. Explicit: right for steps far shorter than
    capacity / conductance (about two hours), which 30 s is."""
    temp = bed.temp_c
    evaporated = min(bed.water_kg, _drying_kg_s(tray, bed, temp, around) * seconds)
    flows = Flows(
        feed_j=around.feed_w * seconds,
        neighbours_j=around.neighbours_w * seconds,
        room_j=_conductance_w_k(tray, around) * (around.air_c - temp) * seconds,
        evaporated_kg=evaporated,
        evaporation_j=evaporated * (air.evaporation_heat_j_kg(temp) + WATER_J_KG_K * temp),
    )
    energy = bed.energy_j + flows.feed_j + flows.neighbours_j + flows.room_j - flows.evaporation_j
    return Bedding(bed.dry_kg, bed.water_kg - evaporated, energy), flows


def _drying_kg_s(tray: Tray, bed: Bedding, temp_c: float, around: Around) -> float:
    wetness = min(1.0, bed.moisture_pct / DRY_SURFACE_PCT)
    deficit = air.deficit_kpa(temp_c, around.vapour_kpa)
    return around.lid * wetness * tray.area_m2 * air.open_drying_kg_m2_s(deficit, around.speed_m_s)


def _conductance_w_k(tray: Tray, around: Around) -> float:
    """Walls and lid, plus the open surface as far as the lid is off."""
    opened = (around.lid - tray.lid) / (1 - tray.lid) if around.lid > tray.lid else 0.0
    return tray.sides_w_k + opened * tray.area_m2 * air.convection_w_m2_k(around.speed_m_s)
