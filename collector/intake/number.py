"""A payload that is one number or one switch word, and nothing else.

Infinity is refused: no probe measures it, it is a division by zero in the probe, and the reason says so. NaN is kept,
as the usual way for a probe to say that it has no value.
"""

import math
import re

from collector.intake.record import Record, Unreadable, check_size, show

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_COMMA = re.compile(r"([+-]?[0-9]+),([0-9]+)")
_WITH_MORE = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?\s*[^0-9\s].*", re.DOTALL)
_SWITCH = {"on": 1.0, "true": 1.0, "off": 0.0, "false": 0.0}
_MAX_CHARACTERS = 64


def read_number(payload: bytes) -> Record:
    """The number, or the switch word (on, off, true, false in any case), a payload holds. It has no name and no time.

    Raises Unreadable and nothing else.
    """
    check_size(payload)
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError as error:
        raise Unreadable(f"byte {error.start} is not text; expected a number such as 21.5") from None
    try:
        value, form = number_in(text)
    except ValueError as error:
        raise Unreadable(str(error)) from None
    return Record(name="", unit=None, value=value, form=form)


def number_in(text: str) -> tuple[float, str]:
    """(value, 'v' for a number or 'vb' for a switch word). Raises ValueError that says what would be right."""
    word = text.strip(" \t\r\n\f\v")
    if len(word) <= _MAX_CHARACTERS:
        if _NUMBER.fullmatch(word):
            return _finite(word), "v"
        low = word.lower()
        if low in _SWITCH:
            return _SWITCH[low], "vb"
        if low.lstrip("+-") == "nan":
            return math.nan, "v"
    raise ValueError(_why_not(word))


def _finite(word: str) -> float:
    value = float(word)
    if math.isinf(value):
        raise ValueError(f"{show(word)} is too large for a number")
    return value


def _why_not(word: str) -> str:
    if not word:
        return "nothing in it; expected a number such as 21.5"
    if len(word) > _MAX_CHARACTERS:
        return f"{len(word)} characters are too long for a number"
    comma = _COMMA.fullmatch(word)
    if comma:
        return f"{show(word)} has a comma; write a decimal point: {comma[1]}.{comma[2]}"
    if word.lower().lstrip("+-") in ("inf", "infinity"):
        return f"{show(word)} is infinite; send nan where the probe has no value"
    if _WITH_MORE.fullmatch(word):
        return f"{show(word)} is more than a number; send the number alone, without its unit"
    return f"{show(word)} is not a number; expected one such as 21.5, or on or off for a switch"
