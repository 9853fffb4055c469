"""SenML packs (RFC 8428), written by hand as JSON or CBOR: compact, and times exact to the millisecond."""

import hashlib
from collections.abc import Mapping

from sim_sensors import cbor
from sim_sensors.probes import Value

BASE_NAME, BASE_TIME = -2, -3
NAME, UNIT, VALUE, BOOLEAN = 0, 1, 2, 4
"""Labels in CBOR (RFC 8428 table 4)."""


def base_name(key: str) -> str:
    """A made-up EUI-64 of a probe, as a URN (RFC 9039). Its first octet, 02, marks it as locally administered, so no
    real device bears it."""
    return f"urn:dev:mac:02{hashlib.sha256(key.encode()).hexdigest()[:14]}:"


def as_json(base: str, t_ms: int | None, sample: Mapping[str, Value], units: Mapping[str, str]) -> bytes:
    """One pack, one record per channel, all at `t_ms`; without a time where it is None, which means now. `base`, names
    and units need no escaping."""
    records = ",".join(f'{{"n":"{name}",{_json_value(units[name], value)}}}' for name, value in sample.items())
    return f'[{{"bn":"{base}",{_base_time(t_ms)}{records[1:]}]'.encode()


def _base_time(t_ms: int | None) -> str:
    if t_ms is None:
        return ""
    seconds, ms = divmod(t_ms, 1000)
    return f'"bt":{seconds}.{ms:03d},'


def _json_value(unit: str, value: Value) -> str:
    if isinstance(value, bool):
        return f'"vb":{"true" if value else "false"}'
    return f'"u":"{unit}","v":{value!r}'


def as_cbor(base: str, t_ms: int | None, sample: Mapping[str, Value], units: Mapping[str, str]) -> bytes:
    """The same pack in CBOR; the time is the double nearest to it, which is far closer than a millisecond."""
    head: dict[int, cbor.Item] = {BASE_NAME: base}
    if t_ms is not None:
        head[BASE_TIME] = t_ms / 1000
    records: list[cbor.Item] = []
    for name, value in sample.items():
        record: dict[int, cbor.Item] = {**(head if not records else {}), NAME: name}
        if isinstance(value, bool):
            record[BOOLEAN] = value
        else:
            record |= {UNIT: units[name], VALUE: value}
        records.append(record)
    return cbor.encoded(records)
