"""What people do to trays and probes that does no harm: lessons, harvests, and the sun that comes by."""

import math
from dataclasses import replace

from sim_sensors.caring import Care
from sim_sensors.family import ranges
from sim_sensors.family.parts import Draws, Lab
from sim_sensors.faults import Fault, Kind
from sim_sensors.physics.school import DAY_MS, HOUR_MS
from sim_sensors.probe_faults import Kind as ProbeKind
from sim_sensors.probe_faults import ProbeFault
from sim_sensors.scenario import TraySetup

MIN_MS = 60_000


def lessons(lab: Lab, draws: Draws) -> None:
    """Lids opened for a look, often with the probe laid aside."""
    for _ in range(draws.times(draws.of(ranges.LESSONS_WEEK) * lab.days / 7, 20)):
        one = draws.one(lab.trays)
        at = lab.lesson_ms(draws.random.randrange(1, lab.days), draws.random.uniform(8.5, 14.0))
        long_ms = round(draws.of(ranges.LESSON_MIN)) * MIN_MS
        out_ms = round(draws.of(ranges.HANDLED_MIN)) * MIN_MS
        handled = draws.chance(0.5)
        if at is not None and not _taken(lab, one.place, at):
            lab.faults.append(Fault(Kind.LESSON, one.place, at, at + long_ms))
            if handled:
                lab.probe_faults += _out(lab, one.place, at + MIN_MS, out_ms)


def harvests(lab: Lab, draws: Draws) -> None:
    """The trays of a bin taken apart: probes lie aside, come back elsewhere, and two trays may change places."""
    for one in lab.bins:
        last: list[ProbeFault] = []
        for day in sorted(draws.random.sample(range(2, lab.days), draws.times(lab.days / 20, 3))):
            at = lab.lesson_ms(day, draws.random.uniform(9, 13))
            long_ms = round(draws.of(ranges.HARVEST_MIN)) * MIN_MS
            swapped, trays = draws.chance(0.4), lab.of_bin(one.name)
            pair = draws.random.sample(range(len(trays)), 2)
            spots = {tray.place: (draws.of(ranges.WARMER_C), draws.of(ranges.WETTER_PCT)) for tray in trays}
            if at is None or any(_taken(lab, tray.place, at) for tray in trays):
                continue
            lab.probe_faults = [f for f in lab.probe_faults if f not in last]
            lab.probe_faults += [replace(f, end_ms=at + long_ms) for f in last]
            last = [f for tray in trays for f in _elsewhere(lab, tray.place, at + long_ms, *spots[tray.place])]
            lab.probe_faults += last
            for tray in trays:
                lab.probe_faults += _out(lab, tray.place, at, long_ms)
                lab.faults.append(Fault(Kind.LESSON, tray.place, at, at + max(long_ms // 2, 5 * MIN_MS)))
            if swapped:
                lab.care.append(Care(at + 5 * MIN_MS, one.name, swap=(pair[0], pair[1])))


def window(lab: Lab, draws: Draws) -> None:
    """Sun on the upper tray of a bin for some hours of some days, without harm."""
    if not draws.chance(0.25):
        return
    one = lab.of_bin(draws.one(lab.bins).name)[0]
    hour, hours = draws.random.uniform(9, 15), draws.of(ranges.SUN_H)
    for day in range(1, lab.days - 1):
        rise_c, shines = draws.of(ranges.SOFT_SUN_RISE_C), draws.chance(0.5)
        if shines:
            lab.faults.append(sunlit(lab, one, day, hour, hours, rise_c))


def sunlit(lab: Lab, one: TraySetup, day: int, hour: float, hours: float, rise_c: float) -> Fault:
    """Sun that would warm the tray by `rise_c` if it lost nothing."""
    at = round(day * DAY_MS + (hour - lab.room.school.utc_offset_h) % 24 * HOUR_MS)
    watts = rise_c * one.start.capacity_j_k * math.pi / 2 / (hours * 3600)
    return Fault(Kind.SUN, one.place, at, at + round(hours * HOUR_MS), watts=watts)


def _taken(lab: Lab, place: str, at_ms: int) -> bool:
    """Whether the tray is in somebody's hands already that day."""
    return any(abs(f.begin_ms - at_ms) < DAY_MS // 3 for f in lab.faults if f.place == place and f.kind is Kind.LESSON)


def _out(lab: Lab, place: str, at_ms: int, long_ms: int) -> list[ProbeFault]:
    kind = ProbeKind.OUT_OF_BEDDING
    return [ProbeFault(kind, probe.key, place, at_ms, at_ms + long_ms) for probe in lab.probes_at(place)]


def _elsewhere(lab: Lab, place: str, at_ms: int, by_c: float, by_pct: float) -> list[ProbeFault]:
    kind = ProbeKind.ELSEWHERE
    return [
        ProbeFault(kind, probe.key, place, at_ms, lab.length_ms, offset=by_c, size=by_pct)
        for probe in lab.probes_at(place)
    ]
