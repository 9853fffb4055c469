"""The lab room: heated for lessons, set back at night, at weekends and in holidays, more humid while people are in it.

With an outside, the seasons come in: where it is warmer out there (with what sun and people add) than the heating
holds, the room is as warm as that, and its air is drier in winter. Weather is what happens on top of the rhythm.
"""

import math
from dataclasses import dataclass

from sim_sensors.physics import air, school
from sim_sensors.physics.school import DAY_MS, HOUR_MS, School

SCHOOL = School()
"""The usual hours, no holidays."""
SUN_AND_PEOPLE_C = 3.0
"""How much warmer than outside an unheated school room is (common practice, no source)."""
BUILDING_H = 24.0
"""Time in which an unheated building covers 63 % of the way to the temperature outside (common practice, no source)."""
HEAT_WAVE_SWING_C = 3.0
"""Half of what a room cools between the afternoons of a heat wave (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Outside:
    """Daily means outside, degC: `mean_c` over the year, `season_c` up and down from it; coldest on `coldest` (share of
    the year: 20 January)."""

    mean_c: float
    season_c: float
    coldest: float = 20 / 365


@dataclass(frozen=True, slots=True)
class Room:
    """Temperatures in degC the heating holds; `humidity_pct` is that of the empty room at `day_c`, with an outside that
    of its mean day."""

    day_c: float
    night_c: float
    humidity_pct: float
    school: School = SCHOOL
    swing_c: float = 0.5
    """Half the daily swing that sun and outside air add; warmest at 15 h."""
    lag_h: float = 2.0
    """Time in which the room covers 63 % of the way to a new temperature (common practice, no source)."""
    people_kpa: float = 0.1
    """Vapour a class adds, kPa: about 4 %RH at 20 degC (common practice, no source)."""
    outside: Outside | None = None


@dataclass(frozen=True, slots=True)
class Weather:
    """What happens to the room just now."""

    nobody: bool = False
    """Holiday: no lessons."""
    heat_c: float | None = None
    """Heat wave: what the room comes to in the afternoon."""
    cold_c: float | None = None
    """Heating off: what the room goes down to."""
    cold_lag_h: float = BUILDING_H
    humidity_pct: float | None = None
    """Dry air: relative humidity at the day temperature."""


CALM = Weather()


def in_lessons(room: Room, t_ms: int, weather: Weather = CALM) -> bool:
    return not weather.nobody and school.in_lessons(room.school, t_ms)


def outside_c(outside: Outside, share: float) -> float:
    """Daily mean outside at a share of the year, degC."""
    return outside.mean_c - outside.season_c * math.cos(2 * math.pi * (share - outside.coldest))


def target_c(room: Room, t_ms: int, weather: Weather = CALM) -> float:
    """Where the room temperature is heading, degC."""
    wave = math.cos(2 * math.pi * (school.local_hour(room.school, t_ms) - 15) / 24)
    if weather.cold_c is not None:
        return weather.cold_c + room.swing_c * wave
    heated = room.day_c if in_lessons(room, t_ms, weather) else room.night_c
    if room.outside is not None:
        heated = max(heated, outside_c(room.outside, school.year_share(room.school, t_ms)) + SUN_AND_PEOPLE_C)
    if weather.heat_c is not None:
        return max(heated + room.swing_c * wave, weather.heat_c - HEAT_WAVE_SWING_C * (1 - wave))
    return heated + room.swing_c * wave


def step(room: Room, temp_c: float, t_ms: int, seconds: float, weather: Weather = CALM) -> float:
    """Room temperature `seconds` later: a first-order lag behind the target."""
    lag_h = room.lag_h if weather.cold_c is None else weather.cold_lag_h
    return temp_c + (target_c(room, t_ms, weather) - temp_c) * -math.expm1(-seconds / (3600 * lag_h))


def settled_c(room: Room, t_ms: int) -> float:
    """Temperature the rhythm has led to by `t_ms`: two days run up, far longer than the lag."""
    quarter = HOUR_MS // 4
    temp = room.night_c
    for at in range(t_ms - 2 * DAY_MS, t_ms, quarter):
        temp = step(room, temp, at, quarter / 1000)
    return temp


def vapour_kpa(room: Room, t_ms: int, weather: Weather = CALM) -> float:
    """Vapour pressure of the room air, kPa; from it and the temperature follows the humidity. With an outside, 70 % of
    it follows the vapour that outside air can hold over the year (common practice, no source)."""
    if weather.humidity_pct is not None:
        return air.vapour_kpa(room.day_c, weather.humidity_pct)
    base = air.vapour_kpa(room.day_c, room.humidity_pct)
    if room.outside is not None:
        here = outside_c(room.outside, school.year_share(room.school, t_ms))
        base *= 0.3 + 0.7 * air.saturation_kpa(here) / air.saturation_kpa(room.outside.mean_c)
    return base + (room.people_kpa if in_lessons(room, t_ms, weather) else 0.0)
