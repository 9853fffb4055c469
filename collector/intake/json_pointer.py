"""Any JSON, read at the places that JSON Pointers name (RFC 6901).

What may stand at a pointer: a number, a number as text, true or false, a switch word, or null for "no value" (kept as
NaN). Anything else is kept as NaN too, with the text it held, so that one broken channel does not lose the others of
the same message; where no pointer gives anything usable the whole payload is refused with the reason.
"""

import datetime
import math
from collections.abc import Sequence
from functools import lru_cache

import msgspec

from collector.intake.number import number_in
from collector.intake.record import END_OF_TIME_S, Record, Unreadable, check_size, kind_of, show

MS_FROM = 1e11
"""A time this large is Unix milliseconds: as seconds it would be past the year 5000, as milliseconds it is 1973."""
_NOWHERE = object()
_MAX_INDEX_DIGITS = 9
_decode = msgspec.json.Decoder().decode


def read_json(payload: bytes, pointers: Sequence[str], time_pointer: str, now_s: float) -> list[Record]:
    """One record for each pointer that leads somewhere, named by the pointer, in the order of `pointers`.

    An empty `time_pointer`, or one that leads nowhere or to null, means no time was given: `t_s` is None. `now_s` is
    not needed, as times here are never relative; all readers of packs are called alike. Raises Unreadable and nothing
    else.
    """
    check_size(payload)
    try:
        document = _decode(payload)
    except RecursionError:
        raise Unreadable("JSON nested too deeply") from None
    except ValueError as error:
        raise Unreadable(f"not JSON that can be read: {error}") from None
    t_s = _time(document, time_pointer) if time_pointer else None
    return _records(document, pointers, t_s)


@lru_cache(maxsize=1024)
def parse_pointer(pointer: str) -> tuple[str, ...]:
    """The steps of a pointer, unescaped. Raises ValueError that says what would be right."""
    if not pointer:
        return ()
    if not pointer.startswith("/"):
        raise ValueError(f"{show(pointer)} is not a JSON Pointer; it starts with '/', as in '/air/temperature'")
    if "~" in pointer.replace("~0", "").replace("~1", ""):
        raise ValueError(f"{show(pointer)} is not a JSON Pointer; write '~' as '~0' and '/' inside a key as '~1'")
    # In this order: '~01' is the key '~1', not '/'.
    return tuple(step.replace("~1", "/").replace("~0", "~") for step in pointer[1:].split("/"))


def _records(document: object, pointers: Sequence[str], t_s: float | None) -> list[Record]:
    records: list[Record] = []
    problems: list[str] = []
    usable = False
    for pointer in pointers:
        found = _look_up(document, pointer)
        if found is _NOWHERE:
            problems.append(f"nothing at {show(pointer)}")
            continue
        try:
            value, form, text = *_value(found), None
            usable = True
        except ValueError as error:
            problems.append(f"at {show(pointer)}: {error}")
            value, form, text = math.nan, "v", found if isinstance(found, str) else None
        records.append(Record(name=pointer, unit=None, value=value, text=text, t_s=t_s, stamped=t_s is None, form=form))
    if not usable:
        raise Unreadable("; ".join(problems[:3]) or "no pointers to read this payload with")
    return records


def _look_up(document: object, pointer: str) -> object:
    try:
        steps = parse_pointer(pointer)
    except ValueError as error:
        raise Unreadable(str(error)) from None
    found = document
    for step in steps:
        if isinstance(found, dict):
            found = found.get(step, _NOWHERE)
        elif isinstance(found, list):
            found = _element(found, step)
        else:
            return _NOWHERE
    return found


def _element(array: list[object], step: str) -> object:
    """RFC 6901 section 4: an index is digits without leading zeros; '-' names the element after the last: nothing."""
    if not (step.isascii() and step.isdigit()) or len(step) > _MAX_INDEX_DIGITS or (step[0] == "0" and step != "0"):
        return _NOWHERE
    index = int(step)
    return array[index] if index < len(array) else _NOWHERE


def _value(found: object) -> tuple[float, str]:
    if found is None:
        return math.nan, "v"
    if isinstance(found, bool):
        return (1.0 if found else 0.0), "vb"
    if isinstance(found, str):
        return number_in(found)
    if isinstance(found, (int, float)):
        return _float(found), "v"
    raise ValueError(f"{kind_of(found)} where a number was expected")


def _float(found: float) -> float:
    """msgspec hands over no infinite number, but integers of any size."""
    try:
        return float(found)
    except OverflowError:
        raise ValueError("too large for a number") from None


def _time(document: object, pointer: str) -> float | None:
    found = _look_up(document, pointer)
    if found is _NOWHERE or found is None:
        return None
    try:
        t_s = _unix_s(found)
    except ValueError as error:
        raise Unreadable(f"time at {show(pointer)}: {error}") from None
    if not 0.0 <= t_s < END_OF_TIME_S:
        raise Unreadable(f"time at {show(pointer)}: {show(found)} is out of range; {_TIMES}")
    return t_s


_TIMES = "expected Unix seconds, Unix milliseconds, or ISO 8601 such as 2026-03-02T08:00:00Z"


def _unix_s(found: object) -> float:
    if isinstance(found, str):
        return _written_time(found.strip())
    if isinstance(found, bool) or not isinstance(found, (int, float)):
        raise ValueError(f"{show(found)} is not a time; {_TIMES}")
    return _seconds(_float(found))


def _seconds(number: float) -> float:
    return number / 1000 if number >= MS_FROM else number


def _written_time(text: str) -> float:
    """Seconds or milliseconds as a number in text, or ISO 8601 with its offset from UTC."""
    try:
        number, form = number_in(text)
    except ValueError:
        pass
    else:
        if form == "v" and not math.isnan(number):
            return _seconds(number)
    try:
        moment = datetime.datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{show(text)} is not a time; {_TIMES}") from None
    if moment.tzinfo is None:
        raise ValueError(f"{show(text)} has no time zone; add Z for UTC or an offset such as +01:00")
    return moment.timestamp()
