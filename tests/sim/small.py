"""A small lab for tests, random numbers, and ways to read what its probes sent without the simulator's own code."""

import json
import random
from collections.abc import Iterable
from datetime import datetime
from typing import Any

import cbor2

from sim_sensors import scenario_file
from sim_sensors.pack import Fact, Pack
from sim_sensors.physics import feed
from sim_sensors.physics.tray import Bedding
from sim_sensors.run import run
from sim_sensors.scenario import Scenario

START_MS = 1_772_438_400_000
"""2026-03-02T08:00:00Z, a Monday."""
MIN_MS = 60_000
HOUR_MS = 3_600_000

_LAB = """\
title: A small lab
length: 2 h
room: {day: 21 degC, night: 17 degC, humidity: 45 %RH}
bins:
  juniper:
    trays:
      top: {wet_mass: 6 kg, moisture: 75 %, temperature: 20 degC}
      bottom: {wet_mass: 7 kg, moisture: 78 %, temperature: 20 degC}
brewers:
  kettle: {volume: 20 L, temperature: 21 degC, oxygen: 7.5 mg/L, uptake: 12 mg/L/h}
"""


def draws(seed: int = 1) -> random.Random:
    return random.Random(seed)  # noqa: S311 - made-up numbers for tests


def small_text(probes: str = "", faults: str = "") -> str:
    """The lab's file with such sections; each line of them an entry."""
    text = _LAB
    for name, lines in (("probes", probes), ("faults", faults)):
        if lines:
            text += f"{name}:\n" + "".join(f"  {line.strip()}\n" for line in lines.strip().splitlines())
    return text


def small_lab(probes: str = "", faults: str = "") -> Scenario:
    return scenario_file.parse(small_text(probes, faults), "small", "small.yaml")


def played(scenario: Scenario, seed: int = 1, hours: float = 1) -> list[Pack]:
    return list(run(scenario, seed, START_MS, round(hours * HOUR_MS)))


def of_topic(packs: Iterable[Pack], topic: str) -> list[Pack]:
    return [pack for pack in packs if pack.topic == topic]


def facts(packs: Iterable[Pack]) -> list[Fact]:
    return [fact for pack in packs for fact in pack.facts]


def values(pack: Pack) -> dict[str, Any]:
    """Channel to value, of a SenML pack in JSON or CBOR (RFC 8428 tables 1 and 4)."""
    return {r["n"]: r["vb"] if "vb" in r else r["v"] for r in records(pack)}


def records(pack: Pack) -> list[dict[str, Any]]:
    if pack.payload[:1] == b"[":
        return list(json.loads(pack.payload))
    labels = {-2: "bn", -3: "bt", 0: "n", 1: "u", 2: "v", 4: "vb"}
    return [{labels[label]: value for label, value in record.items()} for record in cbor2.loads(pack.payload)]


def minute(pack: Pack) -> float:
    """When it arrived, minutes since the start."""
    return (pack.t_ms - START_MS) / MIN_MS


def own_minute(pack: Pack) -> float:
    """When its reading was taken by its own clock, minutes since the start."""
    return (float(records(pack)[0]["bt"]) * 1000 - START_MS) / MIN_MS


def iso_ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def whole_water_kg(bed: Bedding) -> float:
    """Water of bedding and feed."""
    return bed.water_kg + feed.WATER * bed.pocket.mass_kg


def whole_dry_kg(bed: Bedding) -> float:
    """Dry matter of bedding and feed."""
    return bed.dry_kg + (1 - feed.WATER) * bed.pocket.mass_kg
