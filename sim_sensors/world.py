"""The whole lab stepped through time: trays stacked in bins, the room around them, brewers beside them."""

from dataclasses import dataclass

from sim_sensors import faults
from sim_sensors.faults import Fault, Kind
from sim_sensors.physics import air, brewer, room, tray
from sim_sensors.physics.brewer import Oxygen, Tea
from sim_sensors.physics.tray import Around, Bedding, Flows
from sim_sensors.scenario import Care, Scenario, TraySetup

STEP_MS = 30_000
"""Step of the physics. Faults and care begin and end on it."""


@dataclass(frozen=True, slots=True)
class World:
    """The truth at one moment; trays and brewers in the order of the scenario."""

    t_ms: int
    elapsed_ms: int
    room_c: float
    vapour_kpa: float
    trays: tuple[Bedding, ...]
    brewers: tuple[Tea, ...]


@dataclass(frozen=True, slots=True)
class Moved:
    """What a step moved: for each tray its flows, water poured and feed put in (kg) and the heat they brought (J)."""

    flows: tuple[Flows, ...]
    poured_kg: tuple[float, ...]
    fed_kg: tuple[float, ...]
    brought_j: tuple[float, ...]
    oxygen: tuple[Oxygen, ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """A scenario sorted by place once, so that a step only looks at what concerns a tray."""

    scenario: Scenario
    tray_faults: tuple[tuple[Fault, ...], ...]
    tray_care: tuple[tuple[Care, ...], ...]
    brewer_faults: tuple[tuple[Fault, ...], ...]
    above: tuple[bool, ...]
    """Whether the tray before this one stands on it."""


def plan(scenario: Scenario) -> Plan:
    def at(place: str) -> tuple[Fault, ...]:
        return tuple(f for f in scenario.faults if f.place == place)

    trays = scenario.trays
    return Plan(
        scenario,
        tuple(at(t.place) for t in trays),
        tuple(tuple(c for c in scenario.care if c.place == t.place) for t in trays),
        tuple(at(b.place) for b in scenario.brewers),
        tuple(n > 0 and trays[n - 1].bin == t.bin for n, t in enumerate(trays)),
    )


def begin(scenario: Scenario, t_ms: int) -> World:
    room_c = scenario.room_start_c
    return World(
        t_ms,
        0,
        room.settled_c(scenario.room, t_ms) if room_c is None else room_c,
        room.vapour_kpa(scenario.room, t_ms),
        tuple(t.start for t in scenario.trays),
        tuple(b.start for b in scenario.brewers),
    )


def step(plan: Plan, world: World, ms: int = STEP_MS) -> tuple[World, Moved]:
    """The lab `ms` later, and what moved meanwhile. Every flow is taken from the state at the start of the step, so
    what leaves one tray for its neighbour is just what arrives there."""
    scenario = plan.scenario
    seconds = ms / 1000
    conducted = _conducted_w(plan, world)
    results = [_tray(plan, n, world, conducted[n], ms) for n in range(len(scenario.trays))]
    teas = [
        brewer.step(setup.spec, tea, world.room_c, not faults.pump_stopped(broken, world.elapsed_ms), seconds)
        for setup, tea, broken in zip(scenario.brewers, world.brewers, plan.brewer_faults, strict=True)
    ]
    after = World(
        world.t_ms + ms,
        world.elapsed_ms + ms,
        room.step(scenario.room, world.room_c, world.t_ms, seconds),
        room.vapour_kpa(scenario.room, world.t_ms + ms),
        tuple(r[0] for r in results),
        tuple(t[0] for t in teas),
    )
    return after, Moved(
        tuple(r[1] for r in results),
        tuple(r[2] for r in results),
        tuple(r[3] for r in results),
        tuple(r[4] for r in results),
        tuple(t[1] for t in teas),
    )


def humidity_pct(world: World) -> float:
    return air.humidity_pct(world.room_c, world.vapour_kpa)


def _conducted_w(plan: Plan, world: World) -> list[float]:
    """Net heat each tray gets from the trays above and below, W."""
    heat = [0.0] * len(world.trays)
    for n, joined in enumerate(plan.above):
        if joined:
            down = plan.scenario.between_trays_w_k * (world.trays[n - 1].temp_c - world.trays[n].temp_c)
            heat[n - 1] -= down
            heat[n] += down
    return heat


def _tray(plan: Plan, n: int, world: World, conducted_w: float, ms: int) -> tuple[Bedding, Flows, float, float, float]:
    """(bedding, flows, kg poured, kg fed, J brought)"""
    setup, broken, care = plan.scenario.trays[n], plan.tray_faults[n], plan.tray_care[n]
    elapsed = world.elapsed_ms
    bed, poured, fed, brought = world.trays[n], 0.0, 0.0, 0.0
    if broken or care:
        poured, fed = _poured_kg(care, elapsed, ms), _fed_kg(care, broken, elapsed, ms)
        added = tray.fed(tray.poured(bed, poured, world.room_c), fed, world.room_c)
        bed, brought = added, added.energy_j - bed.energy_j
    after, flows = tray.step(setup.spec, bed, _around(setup, broken, care, world, conducted_w), ms / 1000)
    return after, flows, poured, fed, brought


def _around(
    setup: TraySetup, broken: tuple[Fault, ...], care: tuple[Care, ...], world: World, conducted_w: float
) -> Around:
    if not broken and not care:
        return Around(world.room_c, world.vapour_kpa, setup.spec.lid, 0.0, 0.0, conducted_w)
    lid, speed = faults.exposure(broken, world.elapsed_ms, setup.spec.lid)
    power = faults.pocket_w(broken, world.elapsed_ms) + _feed_w(care, world.elapsed_ms)
    return Around(world.room_c, world.vapour_kpa, lid, speed, power, conducted_w)


def _poured_kg(care: tuple[Care, ...], elapsed_ms: int, ms: int) -> float:
    """Water poured during a step: the share of the pouring that falls in it."""
    return sum(
        c.water_kg * max(0, min(elapsed_ms + ms, c.at_ms + c.over_ms) - max(elapsed_ms, c.at_ms)) / c.over_ms
        for c in care
    )


def _fed_kg(care: tuple[Care, ...], broken: tuple[Fault, ...], elapsed_ms: int, ms: int) -> float:
    """Feed put in during a step, by people or as the pocket of a heat fault."""
    given = sum(c.feed_kg for c in care if elapsed_ms <= c.at_ms < elapsed_ms + ms)
    return given + sum(f.feed_kg for f in broken if f.kind is Kind.HEAT and elapsed_ms <= f.begin_ms < elapsed_ms + ms)


def _feed_w(care: tuple[Care, ...], elapsed_ms: int) -> float:
    return sum(
        tray.feed_power_w(c.feed_kg, (elapsed_ms - c.at_ms) / 1000, c.peak_after_ms / 1000)
        for c in care
        if c.feed_kg > 0
    )
