"""The lab itself: trays and their bedding, the room around them, and the class that tends them."""

from dataclasses import replace
from datetime import date

from sim_sensors.brewing import Brew
from sim_sensors.caring import Routine
from sim_sensors.family import ranges
from sim_sensors.family.parts import Draws, Lab
from sim_sensors.faults import Fault, Kind
from sim_sensors.physics import air, oxygen, tray
from sim_sensors.physics.brewer import Brewer, Tea
from sim_sensors.physics.room import Outside, Room, outside_c
from sim_sensors.physics.school import DAY_MS, HOUR_MS, School, year_share
from sim_sensors.physics.second import Equations
from sim_sensors.scenario import BinSetup, BrewerSetup, TraySetup

BIN_NAMES = ("juniper", "maple")
TRAY_NAMES = {2: ("top", "bottom"), 3: ("top", "middle", "bottom"), 4: ("top", "second", "third", "bottom")}
_FIRST_MONDAY = date(2024, 1, 1).toordinal() - date(1970, 1, 1).toordinal()
_WEEKS = 150


def furnish(lab: Lab, draws: Draws) -> None:
    """Bins of two to four trays, perhaps a brewer."""
    lab.between_w_k = draws.of(ranges.BETWEEN_W_K)
    equations = draws.one(tuple(Equations))
    holds, full = (one for one in ranges.BEDDINGS[draws.one(tuple(ranges.BEDDINGS))])
    for name in BIN_NAMES[: 2 if draws.chance(0.3) else 1]:
        lab.bins.append(BinSetup(name, draws.random.uniform(1, 4), 0.0))
        area = draws.of(ranges.AREA_M2)
        for place in TRAY_NAMES[draws.one((2, 3, 3, 4))]:
            held = draws.of(holds)
            spec = tray.Tray(
                area, draws.of(ranges.LID), draws.of(ranges.SIDES_W_K), held, max(held, draws.of(full)), equations
            )
            water = held * draws.of(ranges.WETNESS)
            start = tray.bedding(
                draws.of(ranges.WET_KG), 100 * water / (1 + water), 20.0, draws.of(ranges.WORMS_KG_M2) * area
            )
            lab.trays.append(TraySetup(name, place, spec, start))
    if draws.chance(0.4):
        _brewer(lab, draws)


def _brewer(lab: Lab, draws: Draws) -> None:
    """One that keeps its oxygen over 6 mg/L as long as its pump runs, at any height up to 1500 m."""
    pressure = air.pressure_atm(draws.one((0.0, 0.0, 300.0, 800.0, 1500.0)))
    aeration = draws.random.uniform(6, 15)
    spare = oxygen.saturation_mg_l(25.0, pressure) - 6.4
    uptake = min(draws.random.uniform(3, 12), spare * aeration / 1.3)
    spec = Brewer(draws.random.uniform(10, 60), aeration, 0.05, uptake, pressure_atm=pressure)
    start = Tea(20.0, oxygen.saturation_mg_l(20.0, pressure), False)
    lab.brewers.append(BrewerSetup("kettle", spec, start))


def climate(lab: Lab, draws: Draws, summer_too: bool) -> None:
    """The room with its hours, its season and perhaps a break with the heating down."""
    lab.start_ms = (_FIRST_MONDAY + 7 * draws.random.randrange(_WEEKS)) * DAY_MS
    offset = float(draws.random.randint(-8, 10))
    day_c = draws.of(ranges.DAY_C)
    outside = Outside(draws.of(ranges.OUTSIDE_C), draws.of(ranges.SEASON_C))
    school = School(draws.one((7.0, 7.5, 8.0, 8.5)), draws.one((14.0, 15.0, 16.0, 17.0)), offset)
    off_days = _break(lab, draws)
    if off_days is not None:
        first, last = (date.fromordinal(date(1970, 1, 1).toordinal() + lab.start_ms // DAY_MS + n) for n in off_days)
        school = replace(school, holidays=(((first.month, first.day), (last.month, last.day)),))
    lab.room = Room(
        day_c,
        day_c - draws.of(ranges.SETBACK_C),
        draws.of(ranges.HUMIDITY_PCT),
        school,
        draws.of(ranges.SWING_C),
        draws.of(ranges.ROOM_LAG_H),
        outside=outside if summer_too or outside.mean_c + outside.season_c < 20 else None,
    )
    down_c = draws.of(ranges.HOLIDAY_C)
    here_c = outside_c(outside, year_share(school, lab.start_ms))
    if off_days is not None and here_c < down_c:
        begin_ms, end_ms = off_days[0] * DAY_MS, (off_days[1] + 1) * DAY_MS
        lab.faults.append(Fault(Kind.HEATING_OFF, "room", begin_ms, end_ms, temp_c=down_c, lag_h=24.0))
    lab.trays = [
        replace(one, start=tray.warmed(one.start, (day_c - 1 - 20.0) * one.start.capacity_j_k)) for one in lab.trays
    ]


def _break(lab: Lab, draws: Draws) -> tuple[int, int] | None:
    """First and last day of a break since the start: a Saturday to a Sunday, one or two weeks on."""
    if not draws.chance(0.3) or lab.days < 28:
        return None
    first = 5 + 7 * draws.random.randrange(2)
    return first, first + draws.one((8, 15))


def tend(lab: Lab, draws: Draws) -> None:
    """What the class does on school days; a lab in a hurry waters to the brim, another lets it get nearly dry."""
    at_ms = round(draws.random.uniform(8.6, 13.5) * HOUR_MS)
    for one in lab.trays:
        holds, bed = one.spec.holds, one.start
        below, to = holds * draws.of(ranges.DRY_BELOW), holds * draws.random.uniform(0.93, 1.0)
        kg = round(bed.worms_kg * draws.of(ranges.FEED_PER_DAY) * 7, 2)
        days = frozenset(draws.random.sample(range(5), draws.one((1, 2, 3))))
        feed_kg = round(min(kg / len(days), 0.04 * (bed.dry_kg + bed.water_kg)), 3)
        lab.routine.append(Routine(one.place, at_ms, _pct(below), _pct(to), feed_kg, days))
    for bin_ in lab.bins:
        lab.routine.append(Routine(bin_.name, at_ms, empty_above_pct=draws.random.uniform(20, 60)))
    if lab.brewers:
        for week in range(lab.days // 7):
            at = lab.lesson_ms(7 * week + draws.one((0, 1, 2, 3)), draws.random.uniform(9, 11))
            if at is not None and at + 2 * DAY_MS < lab.length_ms and draws.chance(0.7):
                lab.brews.append(Brew(at, "kettle", round(draws.random.uniform(20, 28)) * HOUR_MS, HOUR_MS))


def _pct(water_kg_kg: float) -> float:
    return 100 * water_kg_kg / (1 + water_kg_kg)
