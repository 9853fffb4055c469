"""A scenario as one seed tells it: moved within the bounds of its `vary` section, and the same each time."""

import random
from collections.abc import Callable
from dataclasses import replace

from sim_sensors.around import FIXED
from sim_sensors.brewing import Brew
from sim_sensors.faults import Fault, Kind
from sim_sensors.physics import tray
from sim_sensors.physics.room import Room
from sim_sensors.probe_faults import ProbeFault
from sim_sensors.scenario import Scenario, TraySetup

Draw = Callable[[str, float], float]
"""(what for, bound) -> a number from -bound to bound, evenly spread."""
_ROOM_C = frozenset({Kind.HEAT_WAVE, Kind.HEATING_OFF})
_DRIEST, _WETTEST = 5.0, 95.0


def varied(scenario: Scenario, seed: int) -> Scenario:
    """The scenario of this seed, with nothing left to vary; one that is varied already comes back as it is."""
    vary = scenario.vary
    if vary == FIXED:
        return scenario

    def draw(name: str, bound: float) -> float:
        return random.Random(f"{seed}:vary:{name}").uniform(-bound, bound)  # noqa: S311 - reproducible chance

    by_ms = round(draw("onset", vary.onset_ms) / scenario.step_ms) * scenario.step_ms
    by_c = draw("temperature", vary.temp_c)
    start_c = scenario.room_start_c
    away = scenario.mail_away
    return replace(
        scenario,
        vary=FIXED,
        room=_room(scenario.room, by_c, draw("humidity", vary.humidity_pct)),
        room_start_c=None if start_c is None else start_c + by_c,
        trays=tuple(_tray(one, by_c, draw(one.place, vary.moisture_pct)) for one in scenario.trays),
        brewers=tuple(replace(b, start=replace(b.start, temp_c=b.start.temp_c + by_c)) for b in scenario.brewers),
        brews=tuple(_later(brew, by_ms) for brew in scenario.brews),
        care=tuple(replace(one, at_ms=one.at_ms + by_ms) for one in scenario.care),
        faults=tuple(_fault(scenario, one, by_ms, draw) for one in scenario.faults),
        probe_faults=tuple(_probe_fault(one, by_ms, _size(scenario, one, draw)) for one in scenario.probe_faults),
        captions=tuple(replace(one, at_ms=one.at_ms + by_ms) for one in scenario.captions),
        mail_away=None if away is None else (away[0] + by_ms, away[1] + by_ms),
    )


def _room(room: Room, by_c: float, by_pct: float) -> Room:
    outside = room.outside and replace(room.outside, mean_c=room.outside.mean_c + by_c)
    humidity = min(95.0, max(5.0, room.humidity_pct + by_pct))
    return replace(room, day_c=room.day_c + by_c, night_c=room.night_c + by_c, humidity_pct=humidity, outside=outside)


def _tray(setup: TraySetup, by_c: float, by_pct: float) -> TraySetup:
    bed = setup.start
    moisture = min(_WETTEST, max(_DRIEST, bed.moisture_pct + by_pct))
    return replace(
        setup, start=tray.bedding(bed.dry_kg / (1 - moisture / 100), moisture, bed.temp_c + by_c, bed.worms_kg)
    )


def _later(brew: Brew, by_ms: int) -> Brew:
    return replace(brew, at_ms=brew.at_ms + by_ms)


def _size(scenario: Scenario, fault: Fault | ProbeFault, draw: Draw) -> float:
    """Factor for its size; one that several probes share is the same for all of them."""
    return 1 + draw(f"{fault.kind.value} from {fault.begin_ms}", scenario.vary.size)


def _fault(scenario: Scenario, fault: Fault, by_ms: int, draw: Draw) -> Fault:
    size = _size(scenario, fault, draw)
    by_c = draw(f"{fault.kind.value} at {fault.begin_ms}", scenario.vary.temp_c) if fault.kind in _ROOM_C else 0.0
    return replace(
        fault,
        begin_ms=fault.begin_ms + by_ms,
        end_ms=fault.end_ms + by_ms,
        speed_m_s=fault.speed_m_s * size,
        feed_kg=fault.feed_kg * size,
        water_kg=fault.water_kg * size,
        strength=min(1.0, fault.strength * size),
        temp_c=fault.temp_c + by_c,
    )


def _probe_fault(fault: ProbeFault, by_ms: int, size: float) -> ProbeFault:
    return replace(
        fault,
        begin_ms=fault.begin_ms + by_ms,
        end_ms=fault.end_ms + by_ms,
        size=fault.size * size,
        offset=fault.offset * size,
    )
