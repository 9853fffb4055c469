"""A scenario played: the messages its probes send, in order of arrival, and the truth behind them.

The same scenario, seed, start and duration give the same bytes.
"""

import heapq
from collections.abc import Iterator
from dataclasses import asdict, replace

from sim_sensors import states, varying, world
from sim_sensors.box import Box
from sim_sensors.harms import Watch
from sim_sensors.pack import Fact, Pack
from sim_sensors.probe_setup import Format
from sim_sensors.scenario import Scenario
from sim_sensors.world import World

Standing = tuple[str, str, str, str, str]
"""(kind, name, place, probe, channel) of a fault."""


def run(scenario: Scenario, seed: int, start_ms: int, duration_ms: int) -> Iterator[Pack]:
    """Packs in order of arrival, from `start_ms` up to but not including `start_ms + duration_ms`. What is still on its
    way at the end is not delivered."""
    waiting: Pack | None = None
    facts: list[Fact] = []
    for item in _played(varying.varied(scenario, seed), seed, start_ms, duration_ms):
        if isinstance(item, Fact):
            facts.append(item)
            continue
        if waiting is not None:
            yield waiting
        waiting, facts = replace(item, facts=tuple(facts)) if facts else item, []
    if waiting is not None:
        yield replace(waiting, facts=(*waiting.facts, *facts))


def _played(scenario: Scenario, seed: int, start_ms: int, duration_ms: int) -> Iterator[Pack | Fact]:
    plan = world.plan(scenario)
    now = world.begin(scenario, start_ms)
    air = _Air([Box(scenario, probe, seed, start_ms) for probe in scenario.probes])
    known: set[Standing] = set()
    watch = Watch(scenario)
    yield from (_about(box, start_ms) for box in air.boxes)
    while now.elapsed_ms < duration_ms:
        after, moved = world.step(plan, now)
        yield from _facts(scenario, now, known)
        yield from watch.changes(now)
        yield from states.done(scenario, now, moved)
        if now.elapsed_ms % scenario.states_ms == 0:
            yield from states.states(scenario, now)
        yield from air.arriving(now, after, min(after.t_ms, start_ms + duration_ms))
        now = after


class _Air:
    """The boxes, and the messages between them and the broker."""

    def __init__(self, boxes: list[Box]) -> None:
        self.boxes = boxes
        self._due = [(box.due_ms, n) for n, box in enumerate(boxes)]
        heapq.heapify(self._due)
        self._sent: list[tuple[int, int, Pack]] = []
        self._count = 0

    def arriving(self, now: World, after: World, until_ms: int) -> Iterator[Pack]:
        """What reaches the broker before `until_ms`, while the lab goes from `now` to `after`."""
        while True:
            due_ms = self._due[0][0] if self._due else until_ms
            if self._sent and self._sent[0][0] < min(due_ms, until_ms):
                yield heapq.heappop(self._sent)[2]
            elif due_ms < until_ms:
                self._report(self._due[0][1], now, after)
            else:
                return

    def _report(self, n: int, now: World, after: World) -> None:
        box = self.boxes[n]
        for pack in box.report(now, after):
            self._count += 1
            heapq.heappush(self._sent, (pack.t_ms, self._count, pack))
        heapq.heapreplace(self._due, (box.due_ms, n))


def _about(box: Box, t_ms: int) -> Fact:
    """What somebody needs to know of a probe to read its messages, and what is wrong with this very one."""
    probe = box.probe
    channels = {}
    for channel in probe.channels:
        own = box.errors[channel.name]
        pointed = {"pointer": channel.pointer} if probe.format is Format.JSON else {}
        errors = {name: round(size, 4) for name, size in asdict(own).items() if size}
        channels[channel.name] = {"model": channel.model, "unit": channel.unit, **pointed, **errors}
    values: dict[str, object] = {"topic": probe.topic, "format": probe.format.value, "clock_ms": probe.clock_ms}
    if probe.format is Format.JSON and probe.clock_ms is not None:
        values["time_pointer"] = probe.time_pointer
    return Fact(t_ms, "probe", probe.key, probe.place, "now", {**values, "channels": channels})


def _facts(scenario: Scenario, now: World, known: set[Standing]) -> Iterator[Fact]:
    """Faults that began or ended since the step before. Updates `known`."""
    standing = set(_standing(scenario, now))
    if standing != known:
        for phase, changed in (("end", known - standing), ("begin", standing - known)):
            for kind, name, place, probe, channel in sorted(changed):
                values: dict[str, object] = {**({"probe": probe} if probe else {})}
                yield Fact(now.t_ms, kind, name, place, phase, values | ({"channel": channel} if channel else {}))
        known.clear()
        known |= standing


def _standing(scenario: Scenario, now: World) -> Iterator[Standing]:
    yield from (("fault", f.kind.value, f.place, "", "") for f in scenario.faults if f.active(now.elapsed_ms))
    for fault in scenario.probe_faults:
        if fault.active(now.elapsed_ms):
            yield "fault", fault.kind.value, fault.place, fault.probe, fault.channel
