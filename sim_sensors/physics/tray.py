"""One tray of bedding: dry matter, water, heat, the pocket of feed in it, and its worms.

Water:  d(water) = poured + water in feed + made in rotting + dripped in - dripped out - spilled - evaporated
Heat:   d(energy) = rotting + room + sun + neighbours + brought in by what is added - carried off by what leaves
Energy is counted from 0 degC, so temperature = energy / heat capacity. The bedding is of one temperature and moisture,
the pocket of another temperature. Left out: dew, heat of wetting, and worms as a mass.
"""

from dataclasses import dataclass

from sim_sensors.physics import air, feed, heat, second, worms
from sim_sensors.physics.feed import DRY_J_KG_K, WATER_J_KG_K, Pocket
from sim_sensors.physics.second import Equations

DRY_SURFACE_PCT = 50.0
"""Wetter than this (% wet basis) the bedding dries like open water; below, the rate falls in proportion, as in the
falling-rate period of drying (common practice, no source)."""
BURNT_PER_DAY = 0.001
"""Share of the bedding's dry matter that rots away in a day (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Tray:
    """What does not change about a tray."""

    area_m2: float
    lid: float
    """Drying with lid and blanket on, as a share of the open tray: 0 sealed, 1 open."""
    sides_w_k: float
    """Heat passed to the room through walls and lid, W/K."""
    holds: float = 6.0
    """Water the bedding holds without dripping, kg for each kg dry: 85.7 % wet basis (common practice, no source)."""
    full: float = 11.0
    """Water with which every pore is full, kg for each kg dry: 91.7 % wet basis; coir dust takes up 7.5-11 (Evans et
    al. 1996)."""
    equations: Equations = Equations.FIRST


@dataclass(frozen=True, slots=True)
class Bedding:
    """What is in a tray now. Masses, energy and temperature are those of the bedding around the pocket."""

    dry_kg: float
    water_kg: float
    energy_j: float
    pocket: Pocket = feed.EMPTY
    worms_kg: float = 0.0
    dead_kg: float = 0.0
    """Worms that have died since the run began."""

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

    @property
    def pocket_c(self) -> float:
        """Temperature in the feed; where there is none, that of the bedding."""
        return self.pocket.temp_c if self.pocket.mass_kg > 0 else self.temp_c


@dataclass(frozen=True, slots=True)
class Around:
    """What a tray is exposed to during one step."""

    air_c: float
    vapour_kpa: float
    lid: float
    speed_m_s: float
    sun_w: float = 0.0
    """What the sun gives it through a window, W."""


@dataclass(frozen=True, slots=True)
class Rotted:
    """What rotting and eating did in one step, kg and J. `kept_j` is the heat that the matter made (water) holds more
    than the matter burnt did."""

    burnt_kg: float
    made_kg: float
    heat_j: float
    kept_j: float
    eaten_kg: float


@dataclass(frozen=True, slots=True)
class Dried:
    """What went out (evaporated) or in (room, sun) in one step, kg and J."""

    evaporated_kg: float
    evaporation_j: float
    room_j: float
    sun_j: float = 0.0


def bedding(wet_kg: float, moisture_pct: float, temp_c: float, worms_kg: float = 0.0) -> Bedding:
    water = wet_kg * moisture_pct / 100
    dry = wet_kg - water
    return Bedding(dry, water, (dry * DRY_J_KG_K + water * WATER_J_KG_K) * temp_c, worms_kg=worms_kg)


def whole_energy_j(bed: Bedding) -> float:
    return bed.energy_j + bed.pocket.energy_j


def air_share(tray: Tray, bed: Bedding) -> float:
    """Share of the pores of the bedding that holds air."""
    return max(0.0, 1 - bed.water_kg / (tray.full * bed.dry_kg))


def living(tray: Tray, bed: Bedding) -> worms.Living:
    """What the tray is to its worms. They stay away from a hot pocket, so the bedding around it counts."""
    return worms.Living(bed.temp_c, bed.moisture_pct, air_share(tray, bed))


def poured(bed: Bedding, water_kg: float, temp_c: float) -> Bedding:
    """Water poured on at `temp_c`; it mixes in at once."""
    return _changed(bed, 0.0, water_kg, water_kg * WATER_J_KG_K * temp_c, bed.pocket)


def fed(bed: Bedding, feed_kg: float, temp_c: float, peak_after_s: float, mixed: float = 0.0) -> Bedding:
    """Fresh feed buried at `temp_c`."""
    return _changed(bed, 0.0, 0.0, 0.0, feed.added(bed.pocket, feed_kg, temp_c, peak_after_s, mixed))


def spread(bed: Bedding) -> Bedding:
    """The pocket taken apart and mixed into the bedding, where it heats no more."""
    return _joined(bed, bed.pocket.mass_kg, bed.pocket.energy_j, feed.EMPTY)


def rotted(
    bed: Bedding, hunger_kg: float, seconds: float, equations: Equations = Equations.FIRST
) -> tuple[Bedding, Rotted]:
    """The bedding after feed and bedding have rotted a while and the worms have eaten; what is left of feed that is
    gone has become bedding."""
    pocket, gone, eaten_kg, from_pocket_j, hot_j = bed.pocket, 0.0, 0.0, 0.0, 0.0
    if pocket.mass_kg > 0:
        pocket, rotten_kg = feed.rotted(pocket, seconds, equations)
        pocket, eaten_kg = feed.eaten(pocket, hunger_kg)
        gone = rotten_kg + eaten_kg
        from_pocket_j = bed.pocket.energy_j - pocket.energy_j
        hot_j = (1 - pocket.mixed) * rotten_kg * feed.HEAT_J_KG
        pocket = feed.warmed(pocket, hot_j)
    after = _joined(bed, gone, from_pocket_j, pocket)
    burnt_kg = gone * (1 - feed.WATER) * feed.BURNT
    burnt_kg += after.dry_kg * BURNT_PER_DAY * _pace(after, equations) * seconds / worms.DAY_S
    heat_j, made_kg = burnt_kg * feed.HEAT_J_KG_BURNT, burnt_kg * feed.WATER_MADE
    kept_j = (made_kg * WATER_J_KG_K - burnt_kg * DRY_J_KG_K) * after.temp_c
    after = _changed(after, -burnt_kg, made_kg, heat_j - hot_j + kept_j, after.pocket)
    return _evened(after, seconds), Rotted(burnt_kg, made_kg, heat_j, kept_j, eaten_kg)


def dried(tray: Tray, bed: Bedding, around: Around, seconds: float) -> tuple[Bedding, Dried]:
    """The bedding after a while in the room's air. Heat comes by the closed form; drying is that at the beginning,
    right for steps far shorter than the hours in which a tray cools."""
    temp = bed.temp_c
    evaporated = min(bed.water_kg, _drying_kg_s(tray, bed, temp, around) * seconds)
    evaporation_j = evaporated * (air.evaporation_heat_j_kg(temp) + WATER_J_KG_K * temp)
    room_j = heat.from_around_j(_conductance_w_k(tray, temp, around), bed.capacity_j_k, temp, around.air_c, seconds)
    sun_j = around.sun_w * seconds
    after = _changed(bed, 0.0, -evaporated, room_j + sun_j - evaporation_j, bed.pocket)
    return after, Dried(evaporated, evaporation_j, room_j, sun_j)


def warmed(bed: Bedding, heat_j: float) -> Bedding:
    return _changed(bed, 0.0, 0.0, heat_j, bed.pocket)


def peopled(bed: Bedding, worms_kg: float, dead_kg: float) -> Bedding:
    """The same bedding with other worms in it."""
    return Bedding(bed.dry_kg, bed.water_kg, bed.energy_j, bed.pocket, worms_kg, dead_kg)


def _changed(bed: Bedding, dry_kg: float, water_kg: float, heat_j: float, pocket: Pocket) -> Bedding:
    return Bedding(
        bed.dry_kg + dry_kg, bed.water_kg + water_kg, bed.energy_j + heat_j, pocket, bed.worms_kg, bed.dead_kg
    )


def _joined(bed: Bedding, feed_kg: float, heat_j: float, pocket: Pocket) -> Bedding:
    """Feed that has become bedding, and the pocket without it."""
    return _changed(bed, (1 - feed.WATER) * feed_kg, feed.WATER * feed_kg, heat_j, pocket)


def _evened(bed: Bedding, seconds: float) -> Bedding:
    """Heat passed between pocket and bedding; a crumb of a pocket is bedding."""
    pocket = bed.pocket
    if pocket.mass_kg < feed.CRUMB_KG:
        return spread(bed)
    between = feed.conductance_w_k(pocket.mass_kg)
    out_j = heat.shared_j(between, pocket.capacity_j_k, pocket.temp_c, bed.capacity_j_k, bed.temp_c, seconds)
    return _changed(bed, 0.0, 0.0, out_j, feed.warmed(pocket, -out_j))


def _pace(bed: Bedding, equations: Equations) -> float:
    """Speed of the bedding's own rotting."""
    if equations is Equations.SECOND:
        return second.pace(bed.temp_c, 1 - bed.moisture_pct / 100)
    return feed.pace(bed.temp_c)


def _drying_kg_s(tray: Tray, bed: Bedding, temp_c: float, around: Around) -> float:
    if tray.equations is Equations.SECOND:
        held_kpa = air.saturation_kpa(temp_c) * second.activity(bed.water_kg / bed.dry_kg)
        deficit, latent = max(0.0, held_kpa - around.vapour_kpa), air.evaporation_heat_j_kg(temp_c)
        return around.lid * tray.area_m2 * second.drying_kg_m2_s(deficit, around.speed_m_s, latent)
    wetness = min(1.0, bed.moisture_pct / DRY_SURFACE_PCT)
    deficit = air.deficit_kpa(temp_c, around.vapour_kpa)
    return around.lid * wetness * tray.area_m2 * air.open_drying_kg_m2_s(deficit, around.speed_m_s)


def _conductance_w_k(tray: Tray, temp_c: float, around: Around) -> float:
    """Walls and lid, plus the open surface as far as the lid is off."""
    opened = (around.lid - tray.lid) / (1 - tray.lid) if around.lid > tray.lid else 0.0
    if tray.equations is Equations.SECOND:
        across_k = temp_c - around.air_c
        over = second.open_w_m2_k(around.speed_m_s, across_k) if opened else 0.0
        return second.walls_w_k(tray.sides_w_k, across_k) + opened * tray.area_m2 * over
    return tray.sides_w_k + opened * tray.area_m2 * air.convection_w_m2_k(around.speed_m_s)
