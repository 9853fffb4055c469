"""What a scenario comes to for a seed: its harms, without probes and on coarse steps, so that many take seconds."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime

from sim_sensors import varying, world
from sim_sensors.harms import Watch
from sim_sensors.pack import Fact
from sim_sensors.scenario import Scenario


@dataclass(frozen=True, slots=True)
class Outcome:
    """One harm as it happened, ms since the start."""

    what: str
    place: str
    begin_ms: int
    know_by_ms: int
    end_ms: int | None
    lasting: bool


def outcomes(scenario: Scenario, seed: int, step_ms: int = 300_000) -> list[Outcome]:
    """All harms of a run of the scenario's length, in order of their beginnings."""
    start_ms = scenario.start_ms or 0
    told: dict[tuple[str, str], Outcome] = {}
    found: list[Outcome] = []
    for fact in _facts(scenario, seed, start_ms, step_ms):
        key = fact.name, fact.place
        since_ms = fact.t_ms - start_ms
        if fact.phase == "begin":
            told[key] = Outcome(*key, since_ms, _ms(fact) - start_ms, None, False)
        elif fact.phase == "lasting":
            told[key] = replace(told[key], know_by_ms=_ms(fact) - start_ms, lasting=True)
        else:
            found.append(replace(told.pop(key), end_ms=since_ms))
    return sorted([*found, *told.values()], key=lambda one: (one.begin_ms, one.what, one.place))


def _facts(scenario: Scenario, seed: int, start_ms: int, step_ms: int) -> Iterator[Fact]:
    coarse = varying.varied(replace(scenario, step_ms=step_ms, probes=()), seed)
    plan, now, watch = world.plan(coarse), world.begin(coarse, start_ms), Watch(coarse)
    while now.elapsed_ms < coarse.length_ms:
        yield from watch.changes(now)
        now, _ = world.step(plan, now)


def _ms(fact: Fact) -> int:
    return round(datetime.fromisoformat(str(fact.values["know_by"])).timestamp() * 1000)
