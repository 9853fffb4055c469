"""A scenario played: the packs its probes send and the truth behind them.

The same scenario, seed, start and duration give the same bytes. Each probe box draws from its own stream of random
numbers and draws whether or not it is silent, so a fault at one place changes nothing at another.
"""

import heapq
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from sim_sensors import faults, harms, probes, senml, world
from sim_sensors.faults import Fault
from sim_sensors.probes import Sample
from sim_sensors.scenario import Scenario
from sim_sensors.world import STEP_MS, World

STATE_EVERY_MS = 600_000
JITTER_MS = 2_000
DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of truth. `kind` is state, fault or harm; `phase` is begin or end, for a state 'now'."""

    t_ms: int
    kind: str
    name: str
    place: str
    phase: str
    values: dict[str, float | bool] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Pack:
    """What one probe box publishes at once."""

    t_ms: int
    topic: str
    payload: bytes
    facts: tuple[Fact, ...] = ()
    """What became true since the pack before it, this moment included; the last pack also carries what followed."""


@dataclass(slots=True)
class _Box:
    """A probe box on its way through the run."""

    place: str
    read: Callable[[World, random.Random], Sample]
    faults: tuple[Fault, ...]
    draws: random.Random
    beat_ms: int
    last: Sample | None = None

    @property
    def topic(self) -> str:
        return f"worms/{self.place}"


def run(scenario: Scenario, seed: int, start_ms: int, duration_ms: int) -> Iterator[Pack]:
    """Packs in order of time, from `start_ms` up to but not including `start_ms + duration_ms`."""
    waiting: Pack | None = None
    facts: list[Fact] = []
    for item in _played(scenario, seed, start_ms, duration_ms):
        if isinstance(item, Fact):
            facts.append(item)
            continue
        if waiting is not None:
            yield waiting
        waiting, facts = replace(item, facts=tuple(facts)), []
    if waiting is not None:
        yield replace(waiting, facts=(*waiting.facts, *facts))


def _played(scenario: Scenario, seed: int, start_ms: int, duration_ms: int) -> Iterator[Pack | Fact]:
    plan = world.plan(scenario)
    now = world.begin(scenario, start_ms)
    boxes = _boxes(scenario, seed, start_ms)
    due = [(_due_ms(box), n) for n, box in enumerate(boxes)]
    heapq.heapify(due)
    known: set[tuple[str, str, str]] = set()
    while now.elapsed_ms < duration_ms:
        yield from _facts(scenario, now, known)
        until = min(now.t_ms + STEP_MS, start_ms + duration_ms)
        while due[0][0] < until:
            t_ms, n = due[0]
            pack = _report(boxes[n], now, t_ms)
            heapq.heapreplace(due, (_due_ms(boxes[n], scenario.every_ms), n))
            if pack is not None:
                yield pack
        now, _ = world.step(plan, now)


def _boxes(scenario: Scenario, seed: int, start_ms: int) -> list[_Box]:
    boxes = []
    for place, read in zip(scenario.places(), _readers(scenario), strict=True):
        # Reproducible noise is the point here; nothing secret hangs on it.
        draws = random.Random(f"{seed}:{place}")  # noqa: S311
        phase = draws.randrange(JITTER_MS, scenario.every_ms - JITTER_MS)
        broken = tuple(f for f in scenario.faults if f.place == place and f.kind in faults.OF_PROBE)
        boxes.append(_Box(place, read, broken, draws, start_ms + phase))
    return boxes


def _due_ms(box: _Box, after_ms: int = 0) -> int:
    """When the box reports next: its beat, give or take the jitter of a cheap clock and a busy radio."""
    box.beat_ms += after_ms
    return box.beat_ms + box.draws.randint(-JITTER_MS, JITTER_MS)


def _report(box: _Box, now: World, t_ms: int) -> Pack | None:
    sample = faults.sent(box.faults, now.elapsed_ms, box.read(now, box.draws), box.last)
    if sample is None:
        return None
    box.last = sample
    return Pack(t_ms, box.topic, senml.pack(senml.base_name(box.place), t_ms, sample))


def _readers(scenario: Scenario) -> list[Callable[[World, random.Random], Sample]]:
    """For each place of the scenario, in its order, what the box there reads."""
    trays = [_tray_reader(n) for n in range(len(scenario.trays))]
    return [*trays, _read_room, *(_brewer_reader(n) for n in range(len(scenario.brewers)))]


def _tray_reader(n: int) -> Callable[[World, random.Random], Sample]:
    def read(now: World, draws: random.Random) -> Sample:
        bed = now.trays[n]
        return {
            "temperature": probes.ds18b20_c(bed.temp_c, draws.gauss()),
            "moisture": probes.capacitive_count(bed.moisture_pct, draws.gauss()),
            "battery": probes.battery_v(now.elapsed_ms / DAY_MS, draws.gauss()),
        }

    return read


def _read_room(now: World, draws: random.Random) -> Sample:
    return {
        "air-temperature": probes.sht_c(now.room_c, draws.gauss()),
        "humidity": probes.sht_pct(world.humidity_pct(now), draws.gauss()),
    }


def _brewer_reader(n: int) -> Callable[[World, random.Random], Sample]:
    def read(now: World, draws: random.Random) -> Sample:
        tea = now.brewers[n]
        return {
            "temperature": probes.ds18b20_c(tea.temp_c, draws.gauss()),
            "oxygen": probes.oxygen_kg_m3(tea.oxygen_mg_l, draws.gauss()),
            "pump": tea.pump_on,
        }

    return read


def _facts(scenario: Scenario, now: World, known: set[tuple[str, str, str]]) -> Iterator[Fact]:
    """Faults and harms that began or ended since the step before, then the state where it is due. Updates `known`."""
    standing = {("fault", f.kind.value, f.place) for f in scenario.faults if f.active(now.elapsed_ms)}
    standing |= {("harm", what, place) for what, place in harms.standing(scenario, now)}
    if standing != known:
        for phase, changed in (("end", known - standing), ("begin", standing - known)):
            for kind, name, place in sorted(changed):
                yield Fact(now.t_ms, kind, name, place, phase)
        known.clear()
        known |= standing
    if now.elapsed_ms % STATE_EVERY_MS == 0:
        yield from _states(scenario, now)


def _states(scenario: Scenario, now: World) -> Iterator[Fact]:
    for setup, bed in zip(scenario.trays, now.trays, strict=True):
        values: dict[str, float | bool] = {
            "temperature_c": round(bed.temp_c, 3),
            "moisture_pct": round(bed.moisture_pct, 3),
            "water_kg": round(bed.water_kg, 4),
            "dry_kg": round(bed.dry_kg, 4),
        }
        yield Fact(now.t_ms, "state", "tray", setup.place, "now", values)
    air = {"temperature_c": round(now.room_c, 3), "humidity_pct": round(world.humidity_pct(now), 2)}
    yield Fact(now.t_ms, "state", "room", "room", "now", dict(air))
    for brew, tea in zip(scenario.brewers, now.brewers, strict=True):
        level = {
            "temperature_c": round(tea.temp_c, 3),
            "oxygen_mg_l": round(tea.oxygen_mg_l, 3),
            "pump_on": tea.pump_on,
        }
        yield Fact(now.t_ms, "state", "brewer", brew.place, "now", level)
