"""Alarms that tests need wherever the words in them do not matter: too hot, a silent probe, a lost broker."""

from collections.abc import Mapping
from dataclasses import replace

from collector.alarms.model import Kind, Priority, Rule
from collector.config.rules.layers import read_layers
from tests.worlds.values import MIN

HOT = Rule(
    name="bedding-hot",
    kind=Kind.HIGH,
    measure="bedding_temperature",
    where=(),
    setpoint=30.0,
    deadband=1.0,
    on_delay_ms=0,
    off_delay_ms=0,
    priority=Priority.HIGH,
    consequence="Worms flee.",
    corrective_action="Move the bin into the shade.",
    time_to_respond_ms=60 * MIN,
    basis="made up for a test",
    source="rules/test.yaml:2",
)
SILENT = replace(HOT, name="probe-silent", kind=Kind.SILENT, measure="", setpoint=30.0 * MIN, deadband=0.0)
BROKER = replace(SILENT, name="broker-lost", where=("broker",), setpoint=10.0 * MIN)


def rule(base: Rule = HOT, **changes: object) -> Rule:
    return replace(base, **changes)  # type: ignore[arg-type]


def read_rules(texts: Mapping[str, str]) -> tuple[Rule, ...]:
    """The rules of all files, in order, as if they shipped. Raises Refused with every problem of every file."""
    return read_layers(texts, {}).rules
