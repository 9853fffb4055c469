"""SenML packs as JSON (RFC 8428), written by hand: compact, and times exact to the millisecond."""

import hashlib
from collections.abc import Mapping

from sim_sensors.probes import UNITS


def base_name(place: str) -> str:
    """A made-up EUI-64 of the probe box at a place, as a URN (RFC 9039). Its first octet, 02, marks it as locally
    administered, so no real device bears it."""
    return f"urn:dev:mac:02{hashlib.sha256(place.encode()).hexdigest()[:14]}:"


def pack(base: str, t_ms: int, sample: Mapping[str, float | int | bool]) -> bytes:
    """One pack, one record per channel, all at `t_ms`. `base` and the channel names need no escaping."""
    records = ",".join(f'{{"n":"{name}",{_value(name, value)}}}' for name, value in sample.items())
    seconds, ms = divmod(t_ms, 1000)
    return f'[{{"bn":"{base}","bt":{seconds}.{ms:03d},{records[1:]}]'.encode()


def _value(name: str, value: float | int | bool) -> str:
    if isinstance(value, bool):
        return f'"vb":{"true" if value else "false"}'
    return f'"u":"{UNITS[name]}","v":{value!r}'
