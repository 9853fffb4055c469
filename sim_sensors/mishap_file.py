"""What goes wrong with the lab, in a scenario file.

faults:
  - kind: dry_out       dry_out, lesson, sun, heat, flood (trays); drain_blocked (bins); pump_stop, pump_weak,
                        brew_forgotten (brewers); holiday, heat_wave, heating_off, dry_air (room)
    place: juniper/top  a tray, a bin, a brewer; not needed for the room  required
    from: 0 min         since the start                                   required
    for: 5 h                                                              required
    lid: 1              dry_out: drying as a share of open                1
    air_speed: 2 m/s    dry_out: draught over the bedding                 0 m/s
    watts: 80           sun: in the middle of its time                    required
    feed: 2 kg          heat: fresh scraps in one pocket                  required
    peak_after: 3 h     heat                                              2 d
    mixed: 0.5          heat: share of it that arises around the pocket   0
    water: 5 L          flood: poured in all                              required
    left: 20 %          pump_weak: share of its air left at the end       20 %
    peak: 34 degC       heat_wave: the room in the afternoons             required
    down_to: -2 degC    heating_off: where the room is heading            required
    lag: 6 h            heating_off: to 63 % of the way; an open window   24 h
    humidity: 15 %RH    dry_air: at the day temperature                   required
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

from sim_sensors import probe_file
from sim_sensors.caring import TWO_DAYS_MS
from sim_sensors.faults import Fault, Kind
from sim_sensors.physics.room import BUILDING_H
from sim_sensors.physics.school import HOUR_MS
from sim_sensors.sections import Section, hint

FAULT_KEYS = ("kind", "place", "from", "for")
KIND_KEYS: dict[Kind, tuple[str, ...]] = {
    Kind.DRY_OUT: ("lid", "air_speed"),
    Kind.SUN: ("watts",),
    Kind.HEAT: ("feed", "peak_after", "mixed"),
    Kind.FLOOD: ("water",),
    Kind.PUMP_WEAK: ("left",),
    Kind.HEAT_WAVE: ("peak",),
    Kind.HEATING_OFF: ("down_to", "lag"),
    Kind.DRY_AIR: ("humidity",),
}
_BREWER = frozenset({Kind.PUMP_STOP, Kind.PUMP_WEAK, Kind.BREW_FORGOTTEN})
_ROOM = frozenset({Kind.HOLIDAY, Kind.HEAT_WAVE, Kind.HEATING_OFF, Kind.DRY_AIR})
ROOM = frozenset({"room"})


@dataclass(frozen=True, slots=True)
class Places:
    trays: frozenset[str]
    bins: frozenset[str]
    brewers: frozenset[str]
    in_order: tuple[str, ...] = ()
    """The trays, each bin's from the top down."""

    def of(self, kind: Kind) -> frozenset[str]:
        """Where a fault of this kind can happen."""
        if kind in _ROOM:
            return ROOM
        if kind in _BREWER:
            return self.brewers
        return self.bins if kind is Kind.DRAIN_BLOCKED else self.trays


def place(item: Section, allowed: frozenset[str], what: str) -> str:
    """The place an entry names; notes one that is not allowed. The room need not be named."""
    found = item.text("place", "room" if allowed is ROOM else None)
    if found and found not in allowed:
        item.note(f"no {what} '{found}'{hint(found, allowed)}", "place")
    return found


def fault(item: Section, places: Places) -> Fault:
    written = item.text("kind")
    kind = next((kind for kind in Kind if kind.value == written), None)
    if kind is None:
        if written:
            item.note(f"no fault '{written}'{hint(written, [*(k.value for k in Kind), *probe_file.KINDS])}", "kind")
        return Fault(Kind.HEAT, "", 0, 0)
    item.keys((*FAULT_KEYS, *KIND_KEYS.get(kind, ())))
    begin = round(item.number("from", "duration"))
    end = begin + round(item.number("for", "duration", low=60_000))
    found = Fault(kind, place(item, places.of(kind), f"place for {kind.value}"), begin, end)
    return _EXTRAS[kind](item, found) if kind in _EXTRAS else found


def _dry_out(item: Section, fault: Fault) -> Fault:
    lid = item.number("lid", "number", 1, high=1)
    return replace(fault, lid=lid, speed_m_s=item.number("air_speed", "speed", 0, high=5))


def _heat(item: Section, fault: Fault) -> Fault:
    peak = round(item.number("peak_after", "duration", TWO_DAYS_MS, low=HOUR_MS / 2))
    feed_kg = item.number("feed", "mass", low=0.01, high=100)
    return replace(fault, feed_kg=feed_kg, peak_after_ms=peak, mixed=item.number("mixed", "number", 0, high=1))


def _sun(item: Section, fault: Fault) -> Fault:
    return replace(fault, watts=item.number("watts", "number", low=0.1, high=2000))


def _flood(item: Section, fault: Fault) -> Fault:
    return replace(fault, water_kg=item.number("water", "volume", low=0.01, high=1000))


def _pump_weak(item: Section, fault: Fault) -> Fault:
    return replace(fault, strength=item.number("left", "percent", 20, high=100) / 100)


def _heat_wave(item: Section, fault: Fault) -> Fault:
    return replace(fault, temp_c=item.number("peak", "temperature", low=20, high=50))


def _heating_off(item: Section, fault: Fault) -> Fault:
    lag_h = item.number("lag", "duration", BUILDING_H * HOUR_MS, low=HOUR_MS) / HOUR_MS
    return replace(fault, temp_c=item.number("down_to", "temperature", low=-30, high=25), lag_h=lag_h)


def _dry_air(item: Section, fault: Fault) -> Fault:
    return replace(fault, humidity_pct=item.number("humidity", "humidity", low=1, high=95))


_EXTRAS: dict[Kind, Callable[[Section, Fault], Fault]] = {
    Kind.DRY_OUT: _dry_out,
    Kind.SUN: _sun,
    Kind.HEAT: _heat,
    Kind.FLOOD: _flood,
    Kind.PUMP_WEAK: _pump_weak,
    Kind.HEAT_WAVE: _heat_wave,
    Kind.HEATING_OFF: _heating_off,
    Kind.DRY_AIR: _dry_air,
}
