"""Checks of single values in lab.yaml: keys, names, topics, pointers, addresses, dates, time zones.

Each takes what is written and returns the value, or raises ValueError that says what would be right. pydantic turns
that into a problem with its place (`collector.config.lab_models`).
"""

import re
from collections.abc import Collection
from datetime import date, datetime
from zoneinfo import ZoneInfo, available_timezones

from collector.domain.hours import parse_days
from collector.domain.patterns import is_pattern
from collector.domain.problems import nearest
from collector.domain.units import known_units, meant_unit, parse_duration_ms, parse_quantity
from collector.domain.words import MAX_NAME, UNSAFE, choice, one_line, shown

MAX_TURN = 5
_MAX_KEY = 40
_MAX_POINTER = 1_000
_MAX_TOPIC_BYTES = 65_535  # MQTT 5.0 section 1.5.4: a string's length is two bytes
_KEY = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_POINTER = re.compile(r"(/([^~/]|~[01])*)*")
_LONE_TILDE = re.compile("~(?![01])")
_SENML_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*")
_ADDRESS = re.compile(r"([A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(?:\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*)@([A-Za-z0-9.-]+)")
_DOMAIN_LABEL = re.compile(r"[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}([ T]\d{2}:\d{2})?", re.ASCII)


_DAY_TEXT = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_MINUTE = re.compile(r"([01]\d|2[0-3]):([0-5]\d)", re.ASCII)
_LONGEST_SPAN = 366
_DAYS_OFF_RIGHT = "write '2026-11-26', '2026-12-21 to 2027-01-03', or a calendar like 'terms.ics' or 'calendars/'"


LOWEST_M, HIGHEST_M = -430, 5_500
"""From the lowest shore to about half the pressure of the sea, where the formulas for oxygen end."""


def key(text: str) -> str:
    """A key that people chose for a part of the lab."""
    if len(text) > _MAX_KEY:
        raise ValueError(f"the key has {len(text)} characters; {_MAX_KEY} is the most")
    if not _KEY.fullmatch(text):
        meant = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")
        like = f"did you mean '{meant}'?" if meant else "like 'juniper'"
        raise ValueError(f"{text!r} cannot be a key; use lower-case letters, digits and '-' between them, {like}")
    return text


def unit(text: str) -> str:
    """A unit that a probe sends."""
    known = known_units()
    meant = meant_unit(text, known)
    if text not in known and meant:
        raise ValueError(f"{shown(text)} is not a unit that probes send; did you mean '{meant}'?")
    return choice(text, "unit that probes send", known)


def size(text: object, dimension: str, most: float, most_text: str) -> float:
    """A positive quantity, bounded so that a slip of unit or decimal point shows."""
    value = parse_quantity(text, dimension)
    if not 0 < value <= most:
        raise ValueError(f"{text!r} is out of range; more than 0 and at most {most_text}")
    return value


def altitude(text: object) -> float:
    """Metres above the sea, of anywhere people keep worms."""
    metres = parse_quantity(text, "length")
    if not LOWEST_M <= metres <= HIGHEST_M:
        raise ValueError(f"{text!r} is not the height of a lab; it lies between {LOWEST_M} m and {HIGHEST_M} m")
    return metres


def every(text: object) -> int:
    """How often a probe reports, in ms."""
    value = parse_duration_ms(text)
    if not 1_000 <= value <= 86_400_000:
        raise ValueError(f"{text!r} is out of range; between 1 s and 1 d")
    return value


def time_zone(text: str) -> str:
    """A name of the IANA time zone database."""
    # 'localtime', 'posix/...' and 'right/...' are files of the zone database, not zones; real names start upper-case.
    if text[:1].isascii() and text[:1].isupper():
        try:
            return ZoneInfo(text).key
        except (KeyError, ValueError, OSError):
            pass
    folded = {name.casefold(): name for name in available_timezones() if name[0].isupper()}
    near = _nearest_zone(text.casefold(), folded)
    right = f"did you mean '{folded[near]}'?" if near else "write it like 'UTC' or 'Continent/City'"
    raise ValueError(f"{shown(text)} is not a time zone of the IANA database; {right}")


def _nearest_zone(text: str, known: Collection[str]) -> str | None:
    by_city = {name.rpartition("/")[2]: name for name in sorted(known, reverse=True)}
    wanted = text.replace(" ", "_")
    if wanted in known:
        return wanted
    if any(name.startswith(f"{wanted}/") for name in known):
        return None  # a continent: any of its cities would be a wild guess
    return by_city.get(wanted) or (nearest(wanted, known) if len(wanted) <= MAX_NAME else None)


def days(text: str) -> str:
    """'mon' or 'mon-fri', as written."""
    parse_days(text)
    return text


def topic(text: str) -> str:
    """An MQTT topic filter of one probe (MQTT 5.0 section 4.7), '+' for a whole level, never '#'."""
    if not text:
        raise ValueError("is empty; write the topic the probe publishes to, like 'worms/juniper/top'")
    if len(text.encode("utf-8")) > _MAX_TOPIC_BYTES:
        raise ValueError(f"is longer than the {_MAX_TOPIC_BYTES:,} bytes of an MQTT topic")
    unsafe = UNSAFE.search(text)
    if unsafe:
        raise ValueError(f"holds the control character U+{ord(unsafe[0]):04X}, which a topic cannot hold")
    if "#" in text:
        raise ValueError(f"{shown(text)} holds '#', which takes in too much; use '+' for one level")
    if any("+" in level and level != "+" for level in text.split("/")):
        raise ValueError(f"{shown(text)}: '+' stands for a whole level, like 'worms/+/top'")
    if text.startswith("$share/"):
        raise ValueError(f"{shown(text)} is a shared subscription; write the topic itself")
    return text


def pointer(text: str) -> str:
    """A JSON Pointer (RFC 6901 section 3)."""
    if not _POINTER.fullmatch(text):
        right = "in a key, write '~' as '~0' and '/' as '~1'"
        if not text.startswith("/"):
            right = f"start it with '/', like '/{_LONE_TILDE.sub('~0', text[:40])}'"
        raise ValueError(f"{shown(text)} is not a JSON Pointer; {right}")
    return one_line(text, _MAX_POINTER)


def time_pointer(text: str) -> str:
    """A JSON Pointer to the time of a reading; never empty."""
    if not text:
        raise ValueError("is empty; leave the key out where the payload carries no time")
    return pointer(text)


def senml_name(text: str) -> str:
    """A SenML name or the start of one (RFC 8428 section 4.5.1), or empty."""
    if text and not _SENML_NAME.fullmatch(text):
        raise ValueError(
            f"{shown(text)} is not a SenML name; it takes letters, digits and - : . / _ after a first letter or digit"
        )
    return one_line(text, _MAX_POINTER)


def email(text: str) -> str:
    """One mail address, shape only: RFC 5321 section 4.1.2 without quoted local parts, lengths of 4.5.3.1."""
    unsafe = UNSAFE.search(text)
    if unsafe:
        raise ValueError(f"holds the control character U+{ord(unsafe[0]):04X}; write one address on one line")
    found = _ADDRESS.fullmatch(text)
    if found is None or len(found[1]) > 64 or len(text) > 254 or not _is_domain(found[2]):
        raise ValueError(f"{shown(text)} is not a mail address; write it alone, like 'teacher@quillbrook.example'")
    return text


def _is_domain(text: str) -> bool:
    labels = text.split(".")
    return all(_DOMAIN_LABEL.fullmatch(label) for label in labels) and (len(labels) > 1 or text == "localhost")


def local_time(text: str) -> datetime:
    """A date or a date and time on the lab's clock, without its zone yet."""
    if _DATE.fullmatch(text):
        try:
            value = datetime.fromisoformat(text)
        except ValueError:
            raise ValueError(f"{text!r} is not in the calendar") from None
        if 2000 <= value.year <= 2100:
            return value
        raise ValueError(f"{text!r} is out of range; a year from 2000 to 2100")
    raise ValueError(f"{shown(text)} is not a date; write it like '2026-01-01' or '2026-01-01 08:30'")


def days_off(value: object) -> tuple[date, date] | str:
    """A day or a span of days, both ends included; or the name of an iCalendar file or of a folder of them."""
    if isinstance(value, str) and value.endswith((".ics", "/")):
        return one_line(value)
    parts = value.split(" to ") if isinstance(value, str) else []
    if not 1 <= len(parts) <= 2 or not all(_DAY_TEXT.fullmatch(part.strip()) for part in parts):
        raise ValueError(f"{shown(value)} is not a day, a span of days or a calendar; {_DAYS_OFF_RIGHT}")
    first, last = (local_time(part.strip()).date() for part in (parts[0], parts[-1]))
    if last < first:
        raise ValueError(f"{value!r} ends before it starts; the earlier day comes first")
    if (last - first).days >= _LONGEST_SPAN:
        raise ValueError(f"{value!r} has {(last - first).days + 1} days; {_LONGEST_SPAN} is the most")
    return first, last


def minute_of_day(value: object) -> int:
    """A time of day as minutes from midnight. YAML reads 10:30 without quotes as a number to the base of sixty."""
    found = _MINUTE.fullmatch(value) if isinstance(value, str) else None
    if found is not None:
        return int(found[1]) * 60 + int(found[2])
    like = "07:00"
    if isinstance(value, int) and not isinstance(value, bool) and 60 <= value < 24 * 60:
        like = f"{value // 60:02d}:{value % 60:02d}"
    raise ValueError(f'{shown(value)} is not a time of day; write it in quotes, like "{like}"')


def share(text: object, low: float, high: float) -> float:
    """A share in percent between two bounds, both taken."""
    value = parse_quantity(text, "percent")
    if not low <= value <= high:
        raise ValueError(f"{text!r} is out of range; between {low:g} % and {high:g} %")
    return value


def pattern(text: str) -> str:
    """A place pattern, whether or not anything fits it."""
    if not is_pattern(text):
        raise ValueError(f"{shown(text)} is not a place; write it like 'juniper/top', 'juniper/*', 'juniper' or 'room'")
    return text


def chat_name(text: str) -> str:
    """The name of a chat address, as the settings of the machine have it."""
    if len(text) > _MAX_KEY or not _KEY.fullmatch(text):
        right = "lower-case letters, digits and '-', like 'teacher-phone'"
        raise ValueError(f"{shown(text)} is not the name of a chat address; {right}")
    return text


def turn(value: int) -> int:
    """Whose turn it is to be told: from 1 on."""
    if not 1 <= value <= MAX_TURN:
        raise ValueError(f"{value} is not a turn; from 1, told first, to {MAX_TURN}")
    return value


def point(value: object) -> tuple[float, object]:
    """One calibration point as written; its value is read when the measure is known."""
    if isinstance(value, list) and len(value) == 2:
        raw, true = value
        if isinstance(raw, (int, float)) and not isinstance(raw, bool) and abs(raw) < 1e15:
            return float(raw), true
        raise ValueError(f"{shown(raw)} is not a raw reading; a point is [raw, true value], like [1950, 62 %]")
    raise ValueError("a point is [raw, true value], like [1950, 62 %]")
