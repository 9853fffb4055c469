"""The truth as JSON Lines, one fact a line, keys in a fixed order."""

import json
from datetime import UTC, datetime

from sim_sensors.pack import Fact
from sim_sensors.scenario import Scenario


def head(scenario: Scenario, seed: int, start_ms: int, duration_ms: int) -> str:
    """First line of a truth file: what was played."""
    about = {"scenario": scenario.name, "title": scenario.title, "seed": seed, "duration_ms": duration_ms}
    return json.dumps({"time": iso(start_ms), "kind": "run", **about}, ensure_ascii=False)


def line(fact: Fact) -> str:
    about = {"kind": fact.kind, "name": fact.name, "place": fact.place, "phase": fact.phase}
    return json.dumps({"time": iso(fact.t_ms), **about, **fact.values}, ensure_ascii=False)


def iso(t_ms: int) -> str:
    """ISO 8601 in UTC, to the millisecond."""
    seconds, ms = divmod(t_ms, 1000)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{ms:03d}Z"
