"""Scenario files.

title: one line that says what happens                                    required
length: 12 h            how long it is played unless told otherwise       1 d
every: 60 s             how often each probe reports                      60 s
step: 30 s              step of the physics; 5 min for a year             30 s
states: 10 min          how often the truth tells all states              10 min
altitude: 0 m           lowers the oxygen that water holds                0 m
equations: first        first, second: whose drying and heating (`physics.second`)    first
between_trays: 1 W/K    heat passed between neighbouring trays            1 W/K
doubling: 75 d          in which worms double where all is well           75 d
holidays: [12-21 to 01-03]   first and last day, every year               none
room:
  day: 21 degC          what the heating holds in school hours            required
  night: 17 degC        ... and at nights, weekends and in holidays       required
  humidity: 45 %RH      of the empty room at the day temperature          required
  start: 20 degC        at the beginning                                  what the rhythm gives
  swing: 0.5 degC       half the daily swing from sun and outside air     0.5 degC
  opens: 7 h            school hours by the lab's clock                   7 h
  closes: 16 h                                                            16 h
  utc_offset: 0 h       the lab's clock less UTC                          0 h
  outside: 10 degC      mean of the year; brings the seasons in           no seasons
  season: 9 degC        ... how far summer and winter are from it         9 degC
bins:
  juniper:              part of the topic: worms/juniper/top
    sump: 2 L           under the lowest tray                             2 L
    leachate: 10 %      in the sump at the beginning                      0 %
    trays:              from the top down
      top:
        area: 0.165 m2                                                    0.165 m2
        wet_mass: 6 kg                                                    required
        moisture: 75 %      wet basis                                     required
        temperature: 20 degC                                              required
        lid: 0.08           drying with the lid on, as a share of open    0.08
        sides: 0.8 W/K      heat passed to the room with the lid on       0.8 W/K
        holds: 6            kg of water a kg dry holds without dripping   6
        full: 11            ... with which all pores are full             11
        worms: 400 g                                                      2.5 kg/m2
brewers:
  kettle:               part of the topic: worms/kettle
    volume: 20 L                                                          required
    temperature: 21 degC                                                  required
    oxygen: 7.5 mg/L                                                      required
    uptake: 12 mg/L/h   of the compost, at 20 degC                        required
    aeration: 9 /h      kLa at 20 degC with the pump on                   9 /h
    surface: 0.05 /h    kLa at 20 degC of the still surface               0.05 /h
brews:, care:, routine:    what people do: see `people_file`              none; a brewer without brews is always at it
faults:                 what goes wrong with the lab: see `mishap_file`       none
probes:                 see `probe_file`, also for faults of probes           the usual ones
begins:, vary:, harms:, captions:, harness:    around the story: see `around_file`    nothing
"""

import re

import yaml

from sim_sensors import around_file, mishap_file, people_file, probe_file, probe_setup
from sim_sensors.mishap_file import Places
from sim_sensors.physics import air, tray, worms
from sim_sensors.physics.brewer import Brewer, Tea
from sim_sensors.physics.room import Outside, Room
from sim_sensors.physics.school import DAY_MS, HOUR_MS, MonthDay, School
from sim_sensors.physics.second import Equations
from sim_sensors.scenario import BinSetup, BrewerSetup, Scenario, TraySetup
from sim_sensors.sections import BadScenario, Problem, Section, hint

TOP_KEYS = (
    "title",
    "length",
    "every",
    "step",
    "states",
    "altitude",
    "equations",
    "between_trays",
    "doubling",
    "holidays",
    "room",
    "bins",
    "brewers",
    "brews",
    "care",
    "routine",
    "faults",
    "probes",
    *around_file.TOP_KEYS,
)
ROOM_KEYS = ("day", "night", "humidity", "start", "swing", "opens", "closes", "utc_offset", "outside", "season")
BIN_KEYS = ("sump", "leachate", "trays")
TRAY_KEYS = ("area", "wet_mass", "moisture", "temperature", "lid", "sides", "holds", "full", "worms")
BREWER_KEYS = ("volume", "temperature", "oxygen", "uptake", "aeration", "surface")
START_KG_M2 = 2.5
"""Density a bin is started with, kg/m2: 0.5 lb/ft2 (vermiculture manuals)."""
_SPAN = re.compile(r"(\d\d)-(\d\d) to (\d\d)-(\d\d)")
_LONGEST = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def parse(text: str, name: str, file: str) -> Scenario:
    """The scenario in `text`. Raises BadScenario with every problem found; `file` is what they name."""
    top = Section(file, "", _compose(text, file))
    top.keys(TOP_KEYS)
    bins, trays = _bins(top)
    brewers = _brewers(top)
    places = Places(
        frozenset(t.place for t in trays),
        frozenset(b.name for b in bins),
        frozenset(b.place for b in brewers),
        tuple(t.place for t in trays),
    )
    room, room_start_c = _room(top)
    every_ms = round(top.number("every", "duration", 60_000, low=10_000))
    step_ms, states_ms = _steps(top)
    probes = probe_file.probes(top, probe_setup.spots((t.place for t in trays), (b.place for b in brewers)), every_ms)
    mishaps = top.items("faults")
    scenario = Scenario(
        name=name,
        title=top.text("title"),
        length_ms=round(top.number("length", "duration", 24 * HOUR_MS, low=60_000)),
        every_ms=every_ms,
        step_ms=step_ms,
        states_ms=states_ms,
        room=room,
        room_start_c=room_start_c,
        between_trays_w_k=top.number("between_trays", "conductance", 1.0, high=50),
        doubling_d=top.number("doubling", "duration", 75 * DAY_MS, low=DAY_MS) / DAY_MS,
        bins=bins,
        trays=trays,
        brewers=brewers,
        brews=people_file.brews(top, places),
        care=people_file.care(top, places),
        routine=people_file.routine(top, places),
        faults=tuple(mishap_file.fault(item, places) for item in mishaps if not probe_file.is_about_probe(item)),
        probes=probes,
        probe_faults=probe_file.faults(mishaps, probes),
        start_ms=around_file.start_ms(top),
        vary=around_file.vary(top),
        harms=around_file.harms(top, places),
        captions=around_file.captions(top),
        mail_away=around_file.mail_away(top),
    )
    around_file.check_onset(top, scenario)
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


def _steps(top: Section) -> tuple[int, int]:
    """(step of the physics, time between states), ms"""
    step_ms = round(top.number("step", "duration", 30_000, low=1_000, high=600_000))
    states_ms = round(top.number("states", "duration", 600_000, low=1_000))
    if states_ms % step_ms:
        top.note(f"the time between states must be whole steps of {step_ms / 1000:g} s", "states")
    return step_ms, states_ms


def _room(top: Section) -> tuple[Room, float | None]:
    room = _required(top, "room")
    if room is None:
        return Room(20, 20, 50), None
    room.keys(ROOM_KEYS)
    spec = Room(
        day_c=room.number("day", "temperature", high=45),
        night_c=room.number("night", "temperature", high=45),
        humidity_pct=room.number("humidity", "humidity", low=5, high=95),
        school=School(
            opens_h=room.number("opens", "duration", 7 * HOUR_MS, high=24 * HOUR_MS) / HOUR_MS,
            closes_h=room.number("closes", "duration", 16 * HOUR_MS, high=24 * HOUR_MS) / HOUR_MS,
            utc_offset_h=room.number("utc_offset", "duration", 0, low=-12 * HOUR_MS, high=14 * HOUR_MS) / HOUR_MS,
            holidays=_holidays(top),
        ),
        swing_c=room.number("swing", "temperature", 0.5, high=10),
        outside=_outside(room),
    )
    start = room.number("start", "temperature", high=45) if room.value("start") is not None else None
    return spec, start


def _outside(room: Section) -> Outside | None:
    season = room.number("season", "temperature", 9, high=30)
    if room.value("outside") is None:
        if room.value("season") is not None:
            room.note("'season' needs 'outside: 10 degC', the mean of the year", "season")
        return None
    return Outside(room.number("outside", "temperature", low=-20, high=35), season)


def _holidays(top: Section) -> tuple[tuple[MonthDay, MonthDay], ...]:
    found = []
    for node, text in top.texts("holidays"):
        match = _SPAN.fullmatch(text.strip())
        first, last = ((int(match[1]), int(match[2])), (int(match[3]), int(match[4]))) if match else ((0, 0), (0, 0))
        if not all(1 <= month <= 12 and 1 <= day <= _LONGEST[month - 1] for month, day in (first, last)):
            top.note(f"'{text}' is no span of days; write it like '12-21 to 01-03'", "holidays", node)
        found.append((first, last))
    return tuple(found)


def _bins(top: Section) -> tuple[tuple[BinSetup, ...], tuple[TraySetup, ...]]:
    bins, found = [], []
    section = _required(top, "bins")
    equations = _equations(top)
    for name, one in section.children() if section else ():
        if name == "room":
            one.note("'room' is the room; give the bin another name")
        one.keys(BIN_KEYS)
        sump_kg = one.number("sump", "volume", 2.0, low=0.1, high=100)
        bins.append(BinSetup(name, sump_kg, sump_kg * one.number("leachate", "percent", 0, high=100) / 100))
        trays = _required(one, "trays")
        inside = [_tray(name, tray_name, part, equations) for tray_name, part in (trays.children() if trays else ())]
        if trays and not inside:
            one.note("a bin needs a tray", "trays")
        found += inside
    return tuple(bins), tuple(found)


def _equations(top: Section) -> Equations:
    known = [one.value for one in Equations]
    word = top.text("equations", Equations.FIRST.value)
    if word in known:
        return Equations(word)
    if word:
        top.note(f"no equations '{word}'{hint(word, known)}", "equations")
    return Equations.FIRST


def _tray(bin_name: str, name: str, section: Section, equations: Equations) -> TraySetup:
    section.keys(TRAY_KEYS)
    holds = section.number("holds", "number", 6, low=1, high=30)
    spec = tray.Tray(
        area_m2=section.number("area", "area", 0.165, low=0.01, high=10),
        lid=section.number("lid", "number", 0.08, high=0.99),
        sides_w_k=section.number("sides", "conductance", 0.8, low=0.01, high=50),
        holds=holds,
        full=section.number("full", "number", max(11.0, holds), low=holds, high=40),
        equations=equations,
    )
    start = tray.bedding(
        section.number("wet_mass", "mass", low=0.2, high=500),
        section.number("moisture", "percent", low=5, high=95),
        section.number("temperature", "temperature", high=50),
        section.number("worms", "mass", START_KG_M2 * spec.area_m2, high=worms.DENSITY_KG_M2 * 10),
    )
    return TraySetup(bin_name, name, spec, start)


def _brewers(top: Section) -> tuple[BrewerSetup, ...]:
    section = top.section("brewers")
    pressure = air.pressure_atm(top.number("altitude", "length", 0, low=-400, high=5000))
    return tuple(_brewer(name, one, pressure) for name, one in (section.children() if section else ()))


def _brewer(name: str, section: Section, pressure: float) -> BrewerSetup:
    section.keys(BREWER_KEYS)
    if name == "room":
        section.note("'room' is the room; give the brewer another name")
    surface = section.number("surface", "rate", 0.05, high=10)
    spec = Brewer(
        volume_l=section.number("volume", "volume", low=0.5, high=1000),
        aeration_per_h=section.number("aeration", "rate", max(9.0, surface), low=surface, high=100),
        surface_per_h=surface,
        uptake_mg_l_h=section.number("uptake", "uptake", high=200),
        pressure_atm=pressure,
    )
    start = Tea(
        section.number("temperature", "temperature", high=40), section.number("oxygen", "oxygen", high=15), True
    )
    return BrewerSetup(name, spec, start)
