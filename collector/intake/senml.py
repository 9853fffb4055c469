"""SenML in JSON (RFC 8428 section 5).

Nearly every pack a probe sends uses a name, a number, perhaps a unit, a time and base fields for these. Such a pack is
resolved here in one pass over typed structs. Anything else, and anything wrong, goes to `senml_resolve`, which knows
every rule and words every refusal; both give the same records for the same pack.
"""

import msgspec
from msgspec import UNSET, UnsetType

from collector.intake.record import END_OF_TIME_S, MAX_RECORDS, Record, Unreadable, check_size
from collector.intake.senml_resolve import ABSOLUTE_FROM_S, is_name, resolve


class _Plain(msgspec.Struct, kw_only=True, forbid_unknown_fields=True, gc=False):
    """A record with nothing unusual in it. Any other label makes the typed decoder give up."""

    n: str = ""
    v: float | UnsetType = UNSET
    t: float = 0.0
    u: str | UnsetType = UNSET
    bn: str | UnsetType = UNSET
    bt: float | UnsetType = UNSET
    bu: str | UnsetType = UNSET


_decode_plain = msgspec.json.Decoder(list[_Plain]).decode
_decode_any = msgspec.json.Decoder().decode


def read_senml_json(payload: bytes, now_s: float) -> list[Record]:
    """The records of a SenML JSON pack in chronological order; times relative to `now_s` are marked `stamped`.

    Raises Unreadable and nothing else.
    """
    check_size(payload)
    try:
        pack = _decode_plain(payload)
    except (ValueError, RecursionError):
        return _read_carefully(payload, now_s)
    if len(pack) > MAX_RECORDS:
        return _read_carefully(payload, now_s)
    return _resolve_plain(pack, now_s) or _read_carefully(payload, now_s)


def _resolve_plain(pack: list[_Plain], now_s: float) -> list[Record]:
    """The records of a plain pack, or none at all where any rule is broken."""
    base_name, base_time, base_unit = "", 0.0, ""
    records: list[Record] = []
    newest, ordered = 0.0, True
    for plain in pack:
        if plain.bn is not UNSET:
            base_name = plain.bn
        if plain.bt is not UNSET:
            base_time = plain.bt
        if plain.bu is not UNSET:
            base_unit = plain.bu
        name, t_s, value = base_name + plain.n, base_time + plain.t, plain.v
        stamped = t_s < ABSOLUTE_FROM_S
        if stamped:
            t_s += now_s
        if value is UNSET or not 0.0 <= t_s < END_OF_TIME_S or not is_name(name):
            return []
        unit = base_unit if plain.u is UNSET else plain.u
        records.append(Record(name=name, unit=unit or None, value=value, text=None, t_s=t_s, stamped=stamped))
        if t_s < newest:
            ordered = False
        newest = t_s
    if not ordered:
        records.sort(key=_time_of)
    return records


def _read_carefully(payload: bytes, now_s: float) -> list[Record]:
    try:
        pack = _decode_any(payload)
    except RecursionError:
        raise Unreadable("JSON nested too deeply") from None
    except ValueError as error:
        raise Unreadable(f"not JSON that can be read: {error}") from None
    return resolve(pack, now_s)


def _time_of(record: Record) -> float:
    return record.t_s or 0.0
