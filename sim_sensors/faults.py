"""What goes wrong with the lab itself; `probe_faults` has what goes wrong with a probe. A fault is a value; functions
say what it does at a moment.

Times are milliseconds since the run began. Faults begin and end on the steps of the run.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from sim_sensors.physics.room import BUILDING_H, CALM, Weather


class Kind(Enum):
    DRY_OUT = "dry_out"
    """Lid and blanket off, perhaps in a draught: the tray dries faster."""
    LESSON = "lesson"
    """Lid and blanket off while a class looks at the worms; then they are put back."""
    SUN = "sun"
    """The sun reaches the tray through a window: up to `watts` in the middle of the time, nothing at its ends."""
    HEAT = "heat"
    """Far too much fresh feed in one pocket: it heats. When the fault ends it is spread out."""
    FLOOD = "flood"
    """Far too much water, poured all the while."""
    DRAIN_BLOCKED = "drain_blocked"
    """Nothing gets from the lowest tray into the sump."""
    PUMP_STOP = "pump_stop"
    """The air pump is off."""
    PUMP_WEAK = "pump_weak"
    """The pump runs and weakens: its air goes down in a straight line to a share at the end, then it is mended."""
    BREW_FORGOTTEN = "brew_forgotten"
    """Nobody ends a brew or uses the tea before the fault ends."""
    HOLIDAY = "holiday"
    """Nobody comes: no routine, no lessons, the heating set back."""
    HEAT_WAVE = "heat_wave"
    """The room is as hot as `temp_c` in the afternoons, and little cooler at night."""
    HEATING_OFF = "heating_off"
    """The heating fails: the room goes down towards `temp_c`."""
    DRY_AIR = "dry_air"
    """The room's air is as dry as `humidity_pct` at the day temperature."""


@dataclass(frozen=True, slots=True)
class Fault:
    kind: Kind
    place: str
    begin_ms: int
    end_ms: int
    lid: float = 1.0
    """dry_out: drying as a share of the open tray."""
    speed_m_s: float = 0.0
    """dry_out: air speed over the bedding."""
    feed_kg: float = 0.0
    """heat: fresh feed put in when it begins."""
    peak_after_ms: int = 0
    """heat: when its heat is greatest, counted from when it begins."""
    mixed: float = 0.0
    """heat: share of the heat that arises in the bedding around the pocket."""
    water_kg: float = 0.0
    """flood: in all."""
    strength: float = 0.0
    """pump_weak: share of its air left at the end."""
    temp_c: float = 0.0
    """heat_wave, heating_off."""
    lag_h: float = BUILDING_H
    """heating_off: time in which the room covers 63 % of the way."""
    humidity_pct: float = 0.0
    """dry_air."""
    watts: float = 0.0
    """sun: at most."""

    def active(self, elapsed_ms: int) -> bool:
        return self.begin_ms <= elapsed_ms < self.end_ms


_OPENED = frozenset({Kind.DRY_OUT, Kind.LESSON})


def exposure(faults: Sequence[Fault], elapsed_ms: int, lid: float) -> tuple[float, float]:
    """(lid factor, air speed m/s) of a tray whose lid factor is `lid` when nothing is wrong."""
    open_ones = [f for f in faults if f.kind in _OPENED and f.active(elapsed_ms)]
    return max((f.lid for f in open_ones), default=lid), max((f.speed_m_s for f in open_ones), default=0.0)


def sun_w(faults: Sequence[Fault], elapsed_ms: int) -> float:
    """What the sun gives a tray now, W: half a sine wave over each fault."""
    shining = (f for f in faults if f.kind is Kind.SUN and f.active(elapsed_ms))
    return sum(f.watts * math.sin(math.pi * (elapsed_ms - f.begin_ms) / (f.end_ms - f.begin_ms)) for f in shining)


def pump_stopped(faults: Sequence[Fault], elapsed_ms: int) -> bool:
    return _any(faults, Kind.PUMP_STOP, elapsed_ms)


def pump_strength(faults: Sequence[Fault], elapsed_ms: int) -> float:
    """Share of the pump's air that still comes."""
    weak = (f for f in faults if f.kind is Kind.PUMP_WEAK and f.active(elapsed_ms))
    return min((1 - (1 - f.strength) * (elapsed_ms - f.begin_ms) / (f.end_ms - f.begin_ms) for f in weak), default=1.0)


def drain_blocked(faults: Sequence[Fault], elapsed_ms: int) -> bool:
    return _any(faults, Kind.DRAIN_BLOCKED, elapsed_ms)


def weather(faults: Sequence[Fault], elapsed_ms: int) -> Weather:
    """What the room's faults make of it; of two of a kind the later in the file counts."""
    now = {f.kind: f for f in faults if f.active(elapsed_ms)}
    if not now:
        return CALM
    heat, cold, dry = now.get(Kind.HEAT_WAVE), now.get(Kind.HEATING_OFF), now.get(Kind.DRY_AIR)
    return Weather(
        nobody=Kind.HOLIDAY in now,
        heat_c=heat.temp_c if heat else None,
        cold_c=cold.temp_c if cold else None,
        cold_lag_h=cold.lag_h if cold else BUILDING_H,
        humidity_pct=dry.humidity_pct if dry else None,
    )


def _any(faults: Sequence[Fault], kind: Kind, elapsed_ms: int) -> bool:
    return any(f.kind is kind and f.active(elapsed_ms) for f in faults)
