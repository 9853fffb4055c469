"""What every payload decoder returns, and how it says that a payload cannot be read.

Record       one value with its name, unit and time, everything relative already resolved
Unreadable   the payload is counted, kept with its reason, and the collector goes on to the next one
"""

import msgspec

MAX_PAYLOAD_BYTES = 256 * 1024
MAX_RECORDS = 5_000
END_OF_TIME_S = 253_402_300_800.0
"""10000-01-01T00:00:00Z in Unix seconds: times from here on cannot be written in ISO 8601 with a four-digit year."""
MAX_REASON = 300


class Record(msgspec.Struct, kw_only=True, frozen=True, gc=False):
    """One value as a payload gave it, in the unit it gave it in."""

    name: str
    """SenML: the resolved name. JSON: the pointer. Bare number: empty."""
    unit: str | None
    value: float | None
    """A number, or 1.0 and 0.0 for true and false; NaN where the probe said "no value"; None for text and bare sums."""
    text: str | None = None
    """A SenML string value, or data as base64url; for JSON, the text that stood where a number was expected."""
    t_s: float | None = None
    """Unix seconds, from 0 to year 9999. None: the format gave no time, and the arrival time must stand in."""
    stamped: bool = True
    """`t_s` comes from the arrival time, so the same message delivered again would get another time."""
    form: str = "v"
    """How the value was written, as its SenML label: v, vs, vb or vd; empty for a record that carries only a sum."""
    sum: float | None = None
    """Integral of the value over time (SenML `s`), in unit x seconds."""
    update_time_s: float | None = None
    """Longest time until the next reading of this name (SenML `ut`)."""
    version: int = 10
    """SenML version the record was sent under."""


class Unreadable(Exception):
    """A payload cannot be read. The message is one short line for people, safe to print whatever the payload held."""

    def __init__(self, reason: str) -> None:
        super().__init__(one_line(reason, MAX_REASON))


def show(value: object, limit: int = 60) -> str:
    """A piece of a payload for use inside a reason: text and numbers as they are, containers by kind."""
    if isinstance(value, str):
        return f"'{one_line(value, limit)}'"
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) or (isinstance(value, int) and value.bit_length() < 128):
        return f"{value}"
    return kind_of(value)


def kind_of(value: object) -> str:
    """What sort of thing stands in a payload, in words."""
    if isinstance(value, list):
        return "an array"
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, (str, bool)) or value is None:
        return show(value)
    if isinstance(value, (int, float)):
        return "a number"
    return "bytes" if isinstance(value, bytes) else "a value of another kind"


def check_size(payload: bytes) -> None:
    """Refuse a payload no probe has reason to send, before any work is spent on it."""
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise Unreadable(f"payload of {len(payload)} bytes; at most {MAX_PAYLOAD_BYTES} are read")


def one_line(text: str, limit: int) -> str:
    """What is kept of a text from outside: cut to `limit` characters, with everything unprintable (line ends, controls,
    lone surrogates) escaped."""
    kept = text if len(text) <= limit else text[: limit - 1] + "…"
    if not kept.isprintable():
        kept = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in kept)
        kept = kept if len(kept) <= limit else kept[: limit - 1] + "…"
    return kept
