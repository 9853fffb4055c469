"""Scenario files.

title: one line that says what happens                                    required
length: 12 h            how long it is played unless told otherwise       1 d
every: 60 s             how often each probe reports                      60 s
altitude: 0 m           lowers the oxygen that water holds                0 m
between_trays: 1 W/K    heat passed between neighbouring trays            1 W/K
room:
  day: 21 degC          what the heating holds in school hours            required
  night: 17 degC        ... and at nights and weekends                    required
  humidity: 45 %RH      of the empty room at the day temperature          required
  start: 20 degC        at the beginning                                  what the rhythm gives
  swing: 0.5 degC       half the daily swing from sun and outside air     0.5 degC
  opens: 7 h            school hours by the lab's clock                   7 h
  closes: 16 h                                                            16 h
  utc_offset: 0 h       the lab's clock less UTC                          0 h
bins:
  juniper:              part of the topic: worms/juniper/top
    trays:              from the top down
      top:
        area: 0.165 m2                                                    0.165 m2
        wet_mass: 6 kg                                                    required
        moisture: 75 %      wet basis                                     required
        temperature: 20 degC                                              required
        lid: 0.08           drying with the lid on, as a share of open    0.08
        sides: 0.8 W/K      heat passed to the room with the lid on       0.8 W/K
brewers:
  kettle:               part of the topic: worms/kettle
    volume: 20 L                                                          required
    temperature: 21 degC                                                  required
    oxygen: 7.5 mg/L                                                      required
    uptake: 12 mg/L/h   at 20 degC                                        required
    aeration: 9 /h      kLa at 20 degC with the pump on                   9 /h
    surface: 0.05 /h    kLa at 20 degC of the still surface               0.05 /h
care:                   what people do
  - at: 5 h             since the start                                   required
    place: juniper/top                                                    required
    water: 1 L          poured over `over`                                one of water, feed
    over: 10 min                                                          10 min
    feed: 0.5 kg        fresh scraps, hottest after `peak_after`          one of water, feed
    peak_after: 2 d                                                       2 d
probes:                 see `probe_file`, also for faults of probes           the usual ones
faults:                 what goes wrong with the lab
  - kind: dry_out       dry_out, heat, pump_stop
    place: juniper/top  a tray or a brewer                                required
    from: 0 min         since the start                                   required
    for: 5 h                                                              required
    lid: 1              dry_out: drying as a share of open                1
    air_speed: 2 m/s    dry_out: draught over the bedding                 0 m/s
    feed: 2 kg          heat: fresh scraps in one pocket                  required
    peak_after: 3 h     heat                                              2 d
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import yaml

from sim_sensors import probe_file, probe_setup
from sim_sensors.faults import Fault, Kind
from sim_sensors.physics import air, tray
from sim_sensors.physics.brewer import Brewer, Tea
from sim_sensors.physics.room import HOUR_MS, Room
from sim_sensors.scenario import BrewerSetup, Care, Scenario, TraySetup
from sim_sensors.sections import BadScenario, Problem, Section, hint

TOP_KEYS = (
    "title",
    "length",
    "every",
    "altitude",
    "between_trays",
    "room",
    "bins",
    "brewers",
    "care",
    "faults",
    "probes",
)
ROOM_KEYS = ("day", "night", "humidity", "start", "swing", "opens", "closes", "utc_offset")
TRAY_KEYS = ("area", "wet_mass", "moisture", "temperature", "lid", "sides")
BREWER_KEYS = ("volume", "temperature", "oxygen", "uptake", "aeration", "surface")
CARE_KEYS = ("at", "place", "water", "over", "feed", "peak_after")
FAULT_KEYS = ("kind", "place", "from", "for")
KIND_KEYS: dict[Kind, tuple[str, ...]] = {
    Kind.DRY_OUT: ("lid", "air_speed"),
    Kind.HEAT: ("feed", "peak_after"),
}
TWO_DAYS_MS = 48 * HOUR_MS


@dataclass(frozen=True, slots=True)
class Places:
    trays: frozenset[str]
    brewers: frozenset[str]

    def of(self, kind: Kind) -> frozenset[str]:
        """Where a fault of this kind can happen."""
        if kind is Kind.PUMP_STOP:
            return self.brewers
        return self.trays


def parse(text: str, name: str, file: str) -> Scenario:
    """The scenario in `text`. Raises BadScenario with every problem found; `file` is what they name."""
    top = Section(file, "", _compose(text, file))
    top.keys(TOP_KEYS)
    trays = _trays(top)
    brewers = _brewers(top)
    places = Places(frozenset(t.place for t in trays), frozenset(b.place for b in brewers))
    room, room_start_c = _room(top)
    every_ms = round(top.number("every", "duration", 60_000, low=10_000))
    probes = probe_file.probes(top, probe_setup.spots((t.place for t in trays), (b.place for b in brewers)), every_ms)
    mishaps = top.items("faults")
    scenario = Scenario(
        name=name,
        title=top.text("title"),
        length_ms=round(top.number("length", "duration", 24 * HOUR_MS, low=60_000)),
        every_ms=every_ms,
        room=room,
        room_start_c=room_start_c,
        between_trays_w_k=top.number("between_trays", "conductance", 1.0, high=50),
        trays=trays,
        brewers=brewers,
        care=tuple(_care(item, places) for item in top.items("care")),
        faults=tuple(_fault(item, places) for item in mishaps if not probe_file.is_about_probe(item)),
        probes=probes,
        probe_faults=probe_file.faults(mishaps, probes),
    )
    if top.problems:
        raise BadScenario(top.problems)
    return scenario


def _compose(text: str, file: str) -> yaml.Node:
    try:
        node = yaml.compose(text, Loader=yaml.SafeLoader)
    except RecursionError:
        raise BadScenario([Problem(file, 1, 1, "", "not YAML that can be read: nested far too deeply")]) from None
    except yaml.YAMLError as wrong:
        mark = getattr(wrong, "problem_mark", None)
        line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        problem = Problem(file, line, column, "", f"not YAML: {getattr(wrong, 'problem', None) or wrong}")
        raise BadScenario([problem]) from None
    if node is None:
        raise BadScenario([Problem(file, 1, 1, "", "the file is empty; begin with 'title: ...'")])
    return node


def _required(top: Section, key: str) -> Section | None:
    if top.value(key) is None:
        top.note(f"'{key}' is missing", key, top.node)
    return top.section(key)


def _room(top: Section) -> tuple[Room, float | None]:
    room = _required(top, "room")
    if room is None:
        return Room(20, 20, 50), None
    room.keys(ROOM_KEYS)
    spec = Room(
        day_c=room.number("day", "temperature", high=45),
        night_c=room.number("night", "temperature", high=45),
        humidity_pct=room.number("humidity", "humidity", low=5, high=95),
        opens_h=room.number("opens", "duration", 7 * HOUR_MS, high=24 * HOUR_MS) / HOUR_MS,
        closes_h=room.number("closes", "duration", 16 * HOUR_MS, high=24 * HOUR_MS) / HOUR_MS,
        utc_offset_h=room.number("utc_offset", "duration", 0, low=-12 * HOUR_MS, high=14 * HOUR_MS) / HOUR_MS,
        swing_c=room.number("swing", "temperature", 0.5, high=10),
    )
    start = room.number("start", "temperature", high=45) if room.value("start") is not None else None
    return spec, start


def _trays(top: Section) -> tuple[TraySetup, ...]:
    found = []
    bins = _required(top, "bins")
    for bin_name, one in bins.children() if bins else ():
        if bin_name == "room":
            one.note("'room' is the room; give the bin another name")
        one.keys(("trays",))
        trays = _required(one, "trays")
        found += [_tray(bin_name, name, section) for name, section in (trays.children() if trays else ())]
    return tuple(found)


def _tray(bin_name: str, name: str, section: Section) -> TraySetup:
    section.keys(TRAY_KEYS)
    spec = tray.Tray(
        area_m2=section.number("area", "area", 0.165, low=0.01, high=10),
        lid=section.number("lid", "number", 0.08, high=0.99),
        sides_w_k=section.number("sides", "conductance", 0.8, low=0.01, high=50),
    )
    wet_kg = section.number("wet_mass", "mass", low=0.2, high=500)
    moisture = section.number("moisture", "percent", low=5, high=95)
    return TraySetup(
        bin_name, name, spec, tray.bedding(wet_kg, moisture, section.number("temperature", "temperature", high=50))
    )


def _brewers(top: Section) -> tuple[BrewerSetup, ...]:
    section = top.section("brewers")
    pressure = air.pressure_atm(top.number("altitude", "length", 0, low=-400, high=5000))
    return tuple(_brewer(name, one, pressure) for name, one in (section.children() if section else ()))


def _brewer(name: str, section: Section, pressure: float) -> BrewerSetup:
    section.keys(BREWER_KEYS)
    if name == "room":
        section.note("'room' is the room; give the brewer another name")
    spec = Brewer(
        volume_l=section.number("volume", "volume", low=0.5, high=1000),
        aeration_per_h=section.number("aeration", "rate", 9, high=100),
        surface_per_h=section.number("surface", "rate", 0.05, high=10),
        uptake_mg_l_h=section.number("uptake", "uptake", high=200),
        pressure_atm=pressure,
    )
    start = Tea(
        section.number("temperature", "temperature", high=40), section.number("oxygen", "oxygen", high=15), True
    )
    return BrewerSetup(name, spec, start)


def _place(item: Section, allowed: frozenset[str], what: str) -> str:
    place = item.text("place")
    if place and place not in allowed:
        item.note(f"no {what} '{place}'{hint(place, allowed)}", "place")
    return place


def _care(item: Section, places: Places) -> Care:
    item.keys(CARE_KEYS)
    if (item.value("water") is None) == (item.value("feed") is None):
        item.note("give either 'water: 1 L' or 'feed: 0.5 kg'")
    return Care(
        at_ms=round(item.number("at", "duration")),
        place=_place(item, places.trays, "tray"),
        water_kg=item.number("water", "volume", 0, high=100),
        over_ms=round(item.number("over", "duration", 600_000, low=60_000)),
        feed_kg=item.number("feed", "mass", 0, high=100),
        peak_after_ms=round(item.number("peak_after", "duration", TWO_DAYS_MS, low=HOUR_MS / 2)),
    )


def _fault(item: Section, places: Places) -> Fault:
    written = item.text("kind")
    kind = next((kind for kind in Kind if kind.value == written), None)
    if kind is None:
        if written:
            item.note(f"no fault '{written}'{hint(written, [*(k.value for k in Kind), *probe_file.KINDS])}", "kind")
        return Fault(Kind.HEAT, "", 0, 0)
    item.keys((*FAULT_KEYS, *KIND_KEYS.get(kind, ())))
    begin = round(item.number("from", "duration"))
    end = begin + round(item.number("for", "duration", low=60_000))
    fault = Fault(kind, _place(item, places.of(kind), f"place for {kind.value}"), begin, end)
    return _EXTRAS[kind](item, fault) if kind in _EXTRAS else fault


def _dry_out(item: Section, fault: Fault) -> Fault:
    lid = item.number("lid", "number", 1, high=1)
    return replace(fault, lid=lid, speed_m_s=item.number("air_speed", "speed", 0, high=5))


def _heat(item: Section, fault: Fault) -> Fault:
    peak = round(item.number("peak_after", "duration", TWO_DAYS_MS, low=HOUR_MS / 2))
    return replace(fault, feed_kg=item.number("feed", "mass", low=0.01, high=100), peak_after_ms=peak)


_EXTRAS: dict[Kind, Callable[[Section, Fault], Fault]] = {
    Kind.DRY_OUT: _dry_out,
    Kind.HEAT: _heat,
}
