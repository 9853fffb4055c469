"""What a probe puts into one message, in the format the scenario gives it."""

import json
from collections.abc import Callable, Mapping

from sim_sensors import senml
from sim_sensors.probe_setup import Format, Probe
from sim_sensors.probes import Sample, Value
from sim_sensors.truth import iso

Encode = Callable[[int | None, Sample], bytes]
"""(time of the reading by the probe's clock, or None; sample that is not empty) to payload."""


def encoder(probe: Probe) -> Encode:
    """How this probe writes its messages."""
    units = {channel.name: channel.unit for channel in probe.channels}
    base = senml.base_name(probe.key)
    if probe.format is Format.SENML:
        return lambda t_ms, sample: senml.as_json(base, t_ms, sample, units)
    if probe.format is Format.SENML_CBOR:
        return lambda t_ms, sample: senml.as_cbor(base, t_ms, sample, units)
    if probe.format is Format.JSON:
        pointers = {channel.name: channel.pointer for channel in probe.channels}
        return lambda t_ms, sample: as_json(probe.time_pointer, t_ms, sample, pointers)
    return lambda t_ms, sample: as_number(next(iter(sample.values())))


def as_json(time_pointer: str, t_ms: int | None, sample: Sample, pointers: Mapping[str, str]) -> bytes:
    """An object in which each value stands where its pointer leads, after the time in ISO 8601 where there is one."""
    document: dict[str, object] = {}
    if t_ms is not None:
        _put(document, time_pointer, iso(t_ms))
    for name, value in sample.items():
        _put(document, pointers[name], value)
    return json.dumps(document, separators=(",", ":")).encode()


def as_number(value: Value) -> bytes:
    if isinstance(value, bool):
        return b"on" if value else b"off"
    return repr(value).encode()


def steps(pointer: str) -> list[str]:
    """The keys a JSON Pointer leads through (RFC 6901 section 4); only objects are meant, so a number is a key too."""
    return [step.replace("~1", "/").replace("~0", "~") for step in pointer.split("/")[1:]]


def _put(document: dict[str, object], pointer: str, value: object) -> None:
    *path, last = steps(pointer)
    for step in path:
        below = document.setdefault(step, {})
        if not isinstance(below, dict):
            raise ValueError(f"pointer {pointer} leads through a value")
        document = below
    document[last] = value
