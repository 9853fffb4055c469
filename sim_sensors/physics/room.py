"""The lab room: heated for lessons, set back at night and at weekends, more humid while people are in it."""

import math
from dataclasses import dataclass

from sim_sensors.physics import air

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS


@dataclass(frozen=True, slots=True)
class Room:
    """Temperatures in degC the heating holds; `humidity_pct` is that of the empty room at `day_c`."""

    day_c: float
    night_c: float
    humidity_pct: float
    opens_h: float = 7.0
    closes_h: float = 16.0
    utc_offset_h: float = 0.0
    swing_c: float = 0.5
    """Half the daily swing that sun and outside air add; warmest at 15 h."""
    lag_h: float = 2.0
    """Time in which the room covers 63 % of the way to a new temperature (common practice, no source)."""
    people_kpa: float = 0.1
    """Vapour a class adds, kPa: about 4 %RH at 20 degC (common practice, no source)."""


def local_hour(room: Room, t_ms: int) -> float:
    """Hour of the lab's day, 0 up to 24."""
    return (t_ms / HOUR_MS + room.utc_offset_h) % 24


def in_lessons(room: Room, t_ms: int) -> bool:
    """School hours, Monday to Friday (1970-01-01 was a Thursday)."""
    weekday = (math.floor((t_ms / HOUR_MS + room.utc_offset_h) / 24) + 3) % 7
    return weekday < 5 and room.opens_h <= local_hour(room, t_ms) < room.closes_h


def target_c(room: Room, t_ms: int) -> float:
    """Where the room temperature is heading, degC."""
    swing = room.swing_c * math.cos(2 * math.pi * (local_hour(room, t_ms) - 15) / 24)
    return (room.day_c if in_lessons(room, t_ms) else room.night_c) + swing


def step(room: Room, temp_c: float, t_ms: int, seconds: float) -> float:
    """Room temperature `seconds` later: a first-order lag behind the target."""
    return temp_c + (target_c(room, t_ms) - temp_c) * -math.expm1(-seconds / (3600 * room.lag_h))


def settled_c(room: Room, t_ms: int) -> float:
    """Temperature the rhythm has led to by `t_ms`: two days run up, far longer than the lag."""
    quarter = HOUR_MS // 4
    temp = room.night_c
    for at in range(t_ms - 2 * DAY_MS, t_ms, quarter):
        temp = step(room, temp, at, quarter / 1000)
    return temp


def vapour_kpa(room: Room, t_ms: int) -> float:
    """Vapour pressure of the room air, kPa; from it and the temperature follows the humidity."""
    return air.vapour_kpa(room.day_c, room.humidity_pct) + (room.people_kpa if in_lessons(room, t_ms) else 0.0)
