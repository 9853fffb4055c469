"""The whole lab stepped through time: trays stacked in bins, the room around them, brewers beside them."""

from collections.abc import Sequence
from dataclasses import dataclass

from sim_sensors import brewing, caring, faults
from sim_sensors.brewing import Span
from sim_sensors.caring import Added, Care, Moment, Routine
from sim_sensors.faults import Fault
from sim_sensors.physics import air, brewer, drainage, heat, room, tray, worms
from sim_sensors.physics.brewer import Brewer, Oxygen, Tea
from sim_sensors.physics.drainage import Dripped
from sim_sensors.physics.room import Weather
from sim_sensors.physics.tray import Around, Bedding, Dried, Rotted, Tray
from sim_sensors.scenario import BinSetup, Scenario


@dataclass(frozen=True, slots=True)
class World:
    """The truth at one moment; trays, bins and brewers in the order of the scenario."""

    t_ms: int
    elapsed_ms: int
    room_c: float
    vapour_kpa: float
    trays: tuple[Bedding, ...]
    sumps_kg: tuple[float, ...]
    brewers: tuple[Tea, ...]


@dataclass(frozen=True, slots=True)
class TrayMoved:
    """What a step did to a tray."""

    added: Added
    rotted: Rotted
    dried: Dried
    neighbours_j: float
    dripped: Dripped
    born_kg: float
    died_kg: float
    crawled_kg: float
    """Worms that came from the neighbours, less those that went."""


@dataclass(frozen=True, slots=True)
class Moved:
    """What a step moved: by tray, by bin what was taken from the sump (kg), by brewer."""

    trays: tuple[TrayMoved, ...]
    emptied_kg: tuple[float, ...]
    brewers: tuple[Oxygen, ...]


@dataclass(frozen=True, slots=True)
class _TrayPlan:
    spec: Tray
    care: tuple[Care, ...]
    routine: tuple[Routine, ...]
    broken: tuple[Fault, ...]

    @property
    def busy(self) -> bool:
        return bool(self.care or self.routine or self.broken)


@dataclass(frozen=True, slots=True)
class _BinPlan:
    setup: BinSetup
    first: int
    specs: tuple[Tray, ...]
    care: tuple[Care, ...]
    routine: tuple[Routine, ...]
    broken: tuple[Fault, ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """A scenario sorted by place once, so that a step only looks at what concerns a place."""

    scenario: Scenario
    trays: tuple[_TrayPlan, ...]
    bins: tuple[_BinPlan, ...]
    brews: tuple[tuple[Span, ...], ...]
    brewer_faults: tuple[tuple[Fault, ...], ...]
    room_faults: tuple[Fault, ...]


def plan(scenario: Scenario) -> Plan:
    def care(place: str) -> tuple[Care, ...]:
        return tuple(c for c in scenario.care if c.place == place)

    def routine(place: str) -> tuple[Routine, ...]:
        return tuple(r for r in scenario.routine if r.place == place)

    def broken(place: str) -> tuple[Fault, ...]:
        return tuple(f for f in scenario.faults if f.place == place)

    bins, first = [], 0
    for one in scenario.bins:
        specs = tuple(t.spec for t in scenario.trays if t.bin == one.name)
        bins.append(_BinPlan(one, first, specs, care(one.name), routine(one.name), broken(one.name)))
        first += len(specs)
    return Plan(
        scenario,
        tuple(_TrayPlan(t.spec, care(t.place), routine(t.place), broken(t.place)) for t in scenario.trays),
        tuple(bins),
        tuple(_spans(scenario, b.place) for b in scenario.brewers),
        tuple(broken(b.place) for b in scenario.brewers),
        broken("room"),
    )


def _spans(scenario: Scenario, place: str) -> tuple[Span, ...]:
    brews = (brew for brew in scenario.brews if brew.place == place)
    return brewing.spans(brews, (f for f in scenario.faults if f.place == place))


def begin(scenario: Scenario, t_ms: int) -> World:
    room_c = scenario.room_start_c
    return World(
        t_ms,
        0,
        room.settled_c(scenario.room, t_ms) if room_c is None else room_c,
        room.vapour_kpa(scenario.room, t_ms),
        tuple(t.start for t in scenario.trays),
        tuple(b.start_kg for b in scenario.bins),
        tuple(_phased(b.spec, b.start, _spans(scenario, b.place), 0) for b in scenario.brewers),
    )


def step(plan: Plan, world: World, ms: int | None = None) -> tuple[World, Moved]:
    """The lab `ms` later (one step of the scenario), and what moved meanwhile. What leaves one place for another is
    just what arrives there."""
    scenario = plan.scenario
    ms = scenario.step_ms if ms is None else ms
    weather = faults.weather(plan.room_faults, world.elapsed_ms)
    now = Moment(world.t_ms, world.elapsed_ms, ms, scenario.room.school, weather.nobody)
    beds: list[Bedding] = []
    moved: list[TrayMoved] = []
    sumps: list[float] = []
    emptied: list[float] = []
    for one in plan.bins:
        trays, did, sump_kg, out_kg = _bin(plan, one, world, now, world.sumps_kg[len(sumps)])
        beds += trays
        moved += did
        sumps.append(sump_kg)
        emptied.append(out_kg)
    teas = [_tea(plan, n, world, now) for n in range(len(world.brewers))]
    after = World(
        world.t_ms + ms,
        world.elapsed_ms + ms,
        room.step(scenario.room, world.room_c, world.t_ms, ms / 1000, weather),
        _vapour_kpa(plan, world, now, weather),
        tuple(beds),
        tuple(sumps),
        tuple(tea for tea, _ in teas),
    )
    return after, Moved(tuple(moved), tuple(emptied), tuple(oxygen for _, oxygen in teas))


def humidity_pct(world: World) -> float:
    return air.humidity_pct(world.room_c, world.vapour_kpa)


def leachate_pct(scenario: Scenario, world: World, name: str) -> float:
    """How full the sump of a bin is, %."""
    n = next(n for n, one in enumerate(scenario.bins) if one.name == name)
    return 100 * world.sumps_kg[n] / scenario.bins[n].sump_kg


def _vapour_kpa(plan: Plan, world: World, now: Moment, weather: Weather) -> float:
    return room.vapour_kpa(plan.scenario.room, world.t_ms + now.ms, weather)


def _bin(
    plan: Plan, one: _BinPlan, world: World, now: Moment, sump_kg: float
) -> tuple[list[Bedding], list[TrayMoved], float, float]:
    """(trays, what moved in them, kg in the sump, kg taken out of it)"""
    seconds, count = now.ms / 1000, len(one.specs)
    before = caring.swapped(world.trays[one.first : one.first + count], now, one.care)
    suits = [worms.suits(tray.living(spec, bed)) for spec, bed in zip(one.specs, before, strict=True)]
    own = [_tray(plan.trays[one.first + n], bed, suits[n], world, now) for n, bed in enumerate(before)]
    beds, conducted = _conducted([bed for bed, *_ in own], plan.scenario.between_trays_w_k, seconds)
    level_pct = 100 * sump_kg / one.setup.sump_kg
    out_kg = sump_kg if caring.emptied(level_pct, now, one.care, one.routine) else 0.0
    blocked = faults.drain_blocked(one.broken, world.elapsed_ms)
    room_kg = 0.0 if blocked else one.setup.sump_kg - (sump_kg - out_kg)
    beds, dripped = drainage.drained(one.specs, beds, room_kg, seconds)
    food = [bed.pocket.rotting_kg + bed.pocket.fresh_kg for bed in beds]
    lived = [
        _lived(spec, bed, suit, kg, plan.scenario.doubling_d, seconds)
        for spec, bed, suit, kg in zip(one.specs, beds, suits, food, strict=True)
    ]
    crawled = _crawled([kg for kg, *_ in lived], suits, seconds)
    beds = [
        tray.peopled(bed, kg + came, bed.dead_kg + died)
        for bed, (kg, _, died), came in zip(beds, lived, crawled, strict=True)
    ]
    moved = [
        TrayMoved(*own[n][1:], conducted[n], dripped[n], lived[n][1], lived[n][2], crawled[n]) for n in range(count)
    ]
    return beds, moved, sump_kg - out_kg + dripped[-1].out_kg, out_kg


def _tray(
    setup: _TrayPlan, bed: Bedding, suit: float, world: World, now: Moment
) -> tuple[Bedding, Added, Rotted, Dried]:
    """A tray for itself: what people do to it, what rots, what dries."""
    added, seconds = caring.NOTHING, now.ms / 1000
    lid, speed, sun_w = setup.spec.lid, 0.0, 0.0
    if setup.busy:
        bed, added = caring.tended(bed, world.room_c, now, setup.care, setup.routine, setup.broken)
        lid, speed = faults.exposure(setup.broken, world.elapsed_ms, lid)
        sun_w = faults.sun_w(setup.broken, world.elapsed_ms)
    bed, rotted = tray.rotted(bed, worms.hunger_kg(bed.worms_kg, suit, seconds), seconds, setup.spec.equations)
    bed, dried = tray.dried(setup.spec, bed, Around(world.room_c, world.vapour_kpa, lid, speed, sun_w), seconds)
    return bed, added, rotted, dried


def _conducted(beds: list[Bedding], between_w_k: float, seconds: float) -> tuple[list[Bedding], list[float]]:
    """Trays after heat passed from each to the next below, and what each got, J."""
    got = [0.0] * len(beds)
    for n in range(len(beds) - 1):
        upper, lower = beds[n], beds[n + 1]
        down = heat.shared_j(between_w_k, upper.capacity_j_k, upper.temp_c, lower.capacity_j_k, lower.temp_c, seconds)
        beds[n], beds[n + 1] = tray.warmed(upper, -down), tray.warmed(lower, down)
        got[n] -= down
        got[n + 1] += down
    return beds, got


def _lived(
    spec: Tray, bed: Bedding, suit: float, food_kg: float, doubling_d: float, seconds: float
) -> tuple[float, float, float]:
    """(worms now, born, died), kg"""
    if bed.worms_kg <= 0:
        return 0.0, 0.0, 0.0
    died = worms.dead(bed.worms_kg, worms.dying_per_day(tray.living(spec, bed)), seconds)
    alive = bed.worms_kg - died
    after = worms.grown(alive, spec.area_m2, suit, food_kg, doubling_d, seconds)
    return after, after - alive, died


def _crawled(kg: Sequence[float], suits: Sequence[float], seconds: float) -> list[float]:
    """Worms each tray gains from its neighbours, kg."""
    came = [0.0] * len(kg)
    for n in range(len(kg) - 1):
        down = worms.leaving(kg[n], suits[n], suits[n + 1], seconds)
        down -= worms.leaving(kg[n + 1], suits[n + 1], suits[n], seconds)
        came[n] -= down
        came[n + 1] += down
    return came


def _phased(spec: Brewer, tea: Tea, spans: Sequence[Span], elapsed_ms: int) -> Tea:
    phase, food_g_l = brewing.stage(spans, elapsed_ms)
    return tea if phase is tea.phase else brewer.begun(tea, phase, food_g_l, spec.pressure_atm)


def _tea(plan: Plan, n: int, world: World, now: Moment) -> tuple[Tea, Oxygen]:
    spec, broken = plan.scenario.brewers[n].spec, plan.brewer_faults[n]
    tea = _phased(spec, world.brewers[n], plan.brews[n], world.elapsed_ms)
    aired = tea.phase in (brewer.Phase.STEADY, brewer.Phase.BREWING)
    pump_on = aired and not faults.pump_stopped(broken, world.elapsed_ms)
    strength = faults.pump_strength(broken, world.elapsed_ms)
    return brewer.step(spec, tea, world.room_c, pump_on, now.ms / 1000, strength)
