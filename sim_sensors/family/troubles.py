"""What goes wrong with harm in a rough world: some four of these, each at a place and a time of its own."""

from collections.abc import Callable
from dataclasses import replace

from sim_sensors.family import ranges
from sim_sensors.family.handling import sunlit
from sim_sensors.family.parts import STEP_MS, Draws, Lab
from sim_sensors.faults import Fault, Kind
from sim_sensors.physics.school import DAY_MS, HOUR_MS
from sim_sensors.probe_faults import Kind as ProbeKind
from sim_sensors.probe_faults import ProbeFault
from sim_sensors.scenario import TraySetup

MIN_MS = 60_000
_FIRST_D, _LAST_D = 3.0, 9.0
Trouble = Callable[[Lab, Draws, TraySetup, int], None]
"""(lab, chance, tray, when it begins)"""


def befall(lab: Lab, draws: Draws) -> None:
    """Each kind at most once, one kind of weather at most, and no two in the same tray."""
    kinds = list(_OF_TRAYS)
    draws.random.shuffle(kinds)
    trays = list(lab.trays)
    draws.random.shuffle(trays)
    for trouble, one in zip(kinds[: draws.one((3, 3, 4))], trays, strict=False):
        trouble(lab, draws, one, draws.ms(_FIRST_D * DAY_MS, _LAST_D * DAY_MS))
    draws.one(_OF_ROOMS)(lab, draws, trays[-1], draws.ms(_FIRST_D * DAY_MS, _LAST_D * DAY_MS))
    if lab.brewers:
        _brew(lab, draws)


def _unwatered(lab: Lab, place: str) -> None:
    """The class skips this tray: it is busy with others."""
    lab.routine = [replace(r, dry_below_pct=0.0, water_to_pct=0.0) if r.place == place else r for r in lab.routine]


def _dries(lab: Lab, draws: Draws, one: TraySetup, at: int) -> None:
    _unwatered(lab, one.place)
    lid, speed = draws.of(ranges.OPEN_LID), draws.of(ranges.DRAUGHT_M_S)
    end = at + round(draws.of(ranges.OPEN_D) * DAY_MS)
    lab.faults.append(Fault(Kind.DRY_OUT, one.place, at, end, lid=lid, speed_m_s=speed))


def _dries_unseen(lab: Lab, draws: Draws, one: TraySetup, at: int) -> None:
    """While its probe drifts towards wet."""
    _dries(lab, draws, one, at)
    for probe in lab.probes_at(one.place):
        if any(channel.name == "moisture" for channel in probe.channels):
            size = -15 * draws.random.uniform(0.2, 0.4)
            fault = ProbeFault(ProbeKind.DRIFT, probe.key, one.place, 0, lab.length_ms, "moisture", size=size)
            lab.probe_faults.append(fault)


def _overfed(lab: Lab, draws: Draws, one: TraySetup, at: int) -> None:
    kg = draws.of(ranges.OVERFED) * (one.start.dry_kg + one.start.water_kg)
    peak = round(draws.random.uniform(12, 48) * HOUR_MS)
    end = at + 5 * DAY_MS
    fault = Fault(Kind.HEAT, one.place, at, end, feed_kg=kg, peak_after_ms=peak, mixed=draws.of(ranges.MIXED))
    lab.faults.append(fault)


def _flooded(lab: Lab, draws: Draws, one: TraySetup, at: int) -> None:
    """With the drain blocked, so that the lowest tray drowns."""
    water = draws.of(ranges.FLOODED) * (one.start.dry_kg + one.start.water_kg)
    end = at + draws.ms(STEP_MS, 2 * HOUR_MS) + STEP_MS
    lab.faults.append(Fault(Kind.FLOOD, one.place, at, end, water_kg=water))
    lab.faults.append(Fault(Kind.DRAIN_BLOCKED, one.bin, max(0, at - HOUR_MS), at + 5 * DAY_MS))


def _sunned(lab: Lab, draws: Draws, one: TraySetup, at: int) -> None:
    hour, hours = draws.random.uniform(9, 15), draws.of(ranges.SUN_H)
    for day in range(at // DAY_MS, at // DAY_MS + draws.one((1, 2))):
        lab.faults.append(sunlit(lab, one, day, hour, hours, draws.of(ranges.SUN_RISE_C)))


def _probe(kind: ProbeKind, hours: ranges.Range) -> Trouble:
    def happens(lab: Lab, draws: Draws, one: TraySetup, at: int) -> None:
        end = at + round(draws.of(hours) * HOUR_MS)
        lab.probe_faults += [ProbeFault(kind, probe.key, one.place, at, end) for probe in lab.probes_at(one.place)]

    return happens


_dead = _probe(ProbeKind.UNPLUGGED, ranges.DEAD_H)
_stuck = _probe(ProbeKind.STUCK, ranges.DEAD_H)
_forgotten = _probe(ProbeKind.OUT_OF_BEDDING, ranges.LEFT_OUT_H)


def _frost(lab: Lab, draws: Draws, one: TraySetup, at: int) -> None:
    """Perhaps with a probe that is dead just then."""
    end = at + draws.ms(1.5 * DAY_MS, 3.5 * DAY_MS)
    down_c, lag_h, blind = draws.of(ranges.FROST_C), draws.of(ranges.FROST_LAG_H), draws.chance(0.4)
    lab.room = replace(lab.room, outside=None)
    lab.faults = [f for f in lab.faults if f.kind is not Kind.HEATING_OFF]
    lab.faults.append(Fault(Kind.HEATING_OFF, "room", at, end, temp_c=down_c, lag_h=lag_h))
    if blind:
        _blinded(lab, one, at, end)


def _heat_wave(lab: Lab, draws: Draws, one: TraySetup, at: int) -> None:
    end = at + draws.ms(2 * DAY_MS, 4 * DAY_MS)
    peak_c, blind = draws.of(ranges.HOT_C), draws.chance(0.4)
    lab.faults = [f for f in lab.faults if f.kind is not Kind.HEATING_OFF]
    lab.faults.append(Fault(Kind.HEAT_WAVE, "room", at, end, temp_c=peak_c))
    if blind:
        _blinded(lab, one, at, end)


def _blinded(lab: Lab, one: TraySetup, at: int, end: int) -> None:
    lab.probe_faults += [
        ProbeFault(ProbeKind.UNPLUGGED, probe.key, one.place, max(0, at - 6 * HOUR_MS), end)
        for probe in lab.probes_at(one.place)
    ]


def _no_weather(lab: Lab, draws: Draws, one: TraySetup, at: int) -> None:
    """Nothing more."""


def _brew(lab: Lab, draws: Draws) -> None:
    """One of the brews goes wrong."""
    if not lab.brews:
        return
    brew, how = draws.one(lab.brews), draws.one(("stop", "weak", "forgotten", "none"))
    begin = brew.at_ms + draws.ms(HOUR_MS, brew.lasts_ms - 8 * HOUR_MS)
    if how == "stop":
        end = begin + draws.ms(2 * HOUR_MS, 7 * HOUR_MS)
        lab.faults.append(Fault(Kind.PUMP_STOP, brew.place, begin, end))
    elif how == "weak":
        left = draws.random.uniform(0.02, 0.3)
        lab.faults.append(Fault(Kind.PUMP_WEAK, brew.place, begin, begin + 8 * HOUR_MS, strength=left))
    elif how == "forgotten":
        end = brew.at_ms + brew.lasts_ms + draws.ms(14 * HOUR_MS, 30 * HOUR_MS)
        lab.brews = [b for b in lab.brews if b is brew or b.at_ms > end + 2 * HOUR_MS or b.at_ms < brew.at_ms]
        lab.faults.append(Fault(Kind.BREW_FORGOTTEN, brew.place, brew.at_ms, end))


_OF_TRAYS: tuple[Trouble, ...] = (
    *(_dries, _dries_unseen, _overfed, _flooded, _sunned),
    *(_dead, _stuck, _forgotten),
)
_OF_ROOMS: tuple[Trouble, ...] = (_frost, _heat_wave, _no_weather, _no_weather)
