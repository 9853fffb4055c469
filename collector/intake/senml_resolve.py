"""The rules of a SenML pack, applied to labels and values already taken out of JSON or CBOR.

Source: RFC 8428 sections 4.1 to 4.6; versions RFC 9100; secondary units RFC 8798. Decisions where they leave room:

- Version: RFC 8428 takes every version not larger than 10, and its own example says 5; RFC 9100 reads the number as a
  bitmap. Both are honoured: up to 10 is taken as it is, above 10 every bit must be one of `FEATURES`.
- A sum counts as present when `bs` or `s` gives one; the missing half is 0.
- An empty unit is no unit.
- Names are at most `MAX_NAME` characters and times lie between 1970 and year 9999; the standard sets no bounds.
- A label given twice is refused where it can be seen (CBOR); JSON takes the last.
"""

import base64
import math
import re
from dataclasses import dataclass

from collector.intake.record import END_OF_TIME_S, MAX_RECORDS, Record, Unreadable, kind_of, show
from collector.intake.secondary_units import SECONDARY

ABSOLUTE_FROM_S = 2.0**28
"""Times below are relative to now (RFC 8428 section 4.5.3)."""
DEFAULT_VERSION = 10
SECONDARY_UNITS = 1 << 4
FEATURES = DEFAULT_VERSION | SECONDARY_UNITS
MAX_NAME = 255

_VALUES = ("v", "vs", "vb", "vd")
LABELS = frozenset(("bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "s", "t", "ut", *_VALUES))
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_BASE64URL = re.compile(r"[A-Za-z0-9_-]*")
_ABSENT = object()

_KNOWN_NAMES: set[str] = set()
_MAX_KNOWN_NAMES = 4096


class _Wrong(ValueError):
    """What is wrong with one record; the caller adds which record."""


@dataclass(slots=True, kw_only=True)
class _Base:
    """Base fields in force: each lasts until the same field comes again."""

    name: str = ""
    time: float = 0.0
    unit: str = ""
    value: float = 0.0
    sum: float | None = None
    version: int = DEFAULT_VERSION

    def take(self, labels: dict[object, object]) -> None:
        self.name = _text(labels, "bn", self.name)
        self.time = _number(labels, "bt", self.time)
        self.unit = _text(labels, "bu", self.unit)
        self.value = _number(labels, "bv", self.value)
        self.sum = _number(labels, "bs", 0.0) if "bs" in labels else self.sum
        self.version = _version(labels, self.version)


def resolve(pack: object, now_s: float) -> list[Record]:
    """The records of a pack in chronological order, records of one time in the order they were sent.

    Raises Unreadable naming the first record that breaks a rule.
    """
    if not isinstance(pack, list):
        raise Unreadable(f"a SenML pack is an array of records, not {kind_of(pack)}")
    if not 0 < len(pack) <= MAX_RECORDS:
        raise Unreadable(f"a pack of {len(pack)} records; it holds between 1 and {MAX_RECORDS}")
    base = _Base()
    timed: list[tuple[float, Record]] = []
    for number, labels in enumerate(pack, 1):
        try:
            timed.append(_record(labels, base, now_s))
        except _Wrong as wrong:
            raise Unreadable(f"record {number}{_called(labels)}: {wrong}") from None
    timed.sort(key=lambda pair: pair[0])
    return [record for _, record in timed]


def is_name(name: str) -> bool:
    """Whether a resolved name is allowed (RFC 8428 section 4.5.1). Remembers names, forgetting all when there are many:
    a lab has some dozens, while a broken or hostile probe may make up a new one each time."""
    if name in _KNOWN_NAMES:
        return True
    if len(name) > MAX_NAME or _NAME.fullmatch(name) is None:
        return False
    if len(_KNOWN_NAMES) >= _MAX_KNOWN_NAMES:
        _KNOWN_NAMES.clear()
    _KNOWN_NAMES.add(name)
    return True


def _record(labels: object, base: _Base, now_s: float) -> tuple[float, Record]:
    if not isinstance(labels, dict):
        raise _Wrong(f"expected an object with labels such as n and v, found {kind_of(labels)}")
    for label in labels:
        if label not in LABELS and isinstance(label, str) and label.endswith("_"):
            raise _Wrong(f"label {show(label)} must be understood to read this record, and is not")
    base.take(labels)
    name = base.name + _text(labels, "n", "")
    _check_name(name)
    total = _sum(labels, base)
    form, value, text = _value(labels, base, has_sum=total is not None)
    unit, value, total = _primary(_text(labels, "u", base.unit), form, value, total, base.version)
    t_s, stamped = _time(labels, base, now_s)
    ut = _number(labels, "ut", 0.0) if "ut" in labels else None
    if ut is not None and ut < 0:
        raise _Wrong(f"ut is {show(labels['ut'])}; an update time is 0 or more seconds")
    return t_s, Record(
        name=name,
        unit=unit or None,
        value=value,
        text=text,
        t_s=t_s,
        stamped=stamped,
        form=form,
        sum=total,
        update_time_s=ut,
        version=base.version,
    )


def _called(labels: object) -> str:
    name = labels.get("n") if isinstance(labels, dict) else None
    return f" ({show(name)})" if isinstance(name, str) and name else ""


def _check_name(name: str) -> None:
    if is_name(name):
        return
    if not name:
        raise _Wrong("no name: neither n nor bn gives one")
    if len(name) > MAX_NAME:
        raise _Wrong(f"name of {len(name)} characters; at most {MAX_NAME} are kept")
    if _NAME.fullmatch(name[0]) is None:
        raise _Wrong(f"name {show(name)} must start with a letter or digit")
    raise _Wrong(f"name {show(name)} may hold only A-Z a-z 0-9 - : . / _")


def _value(labels: dict[object, object], base: _Base, *, has_sum: bool) -> tuple[str, float | None, str | None]:
    """(label, number, text) of the one value of a record; an empty label where a sum stands alone."""
    given = [label for label in _VALUES if label in labels]
    if len(given) > 1:
        raise _Wrong(f"{' and '.join(given)} together; a record has one value")
    if not given:
        if has_sum:
            return "", None, None
        raise _Wrong("no value; give one of v, vs, vb or vd")
    form = given[0]
    if form == "v":
        value = _number(labels, "v", 0.0, may_be_nan=True) + base.value
        return form, _bounded(value, "bv + v"), None
    if form == "vs":
        return form, None, _text(labels, "vs", "")
    if form == "vd":
        return form, None, _data(labels["vd"])
    if not isinstance(labels["vb"], bool):
        raise _Wrong(f"vb is {show(labels['vb'])}; expected true or false")
    return form, 1.0 if labels["vb"] else 0.0, None


def _sum(labels: dict[object, object], base: _Base) -> float | None:
    if "s" not in labels:
        return base.sum
    return _bounded(_number(labels, "s", 0.0) + (base.sum or 0.0), "bs + s")


def _time(labels: dict[object, object], base: _Base, now_s: float) -> tuple[float, bool]:
    """(Unix seconds, whether they come from the arrival time)."""
    sent = base.time + _number(labels, "t", 0.0)
    relative = sent < ABSOLUTE_FROM_S
    t_s = now_s + sent if relative else sent
    if not 0.0 <= t_s < END_OF_TIME_S:
        raise _Wrong(f"time bt + t = {sent:g} is out of range; expected Unix seconds, or seconds before or after now")
    return t_s, relative


def _primary(
    unit: str, form: str, value: float | None, total: float | None, version: int
) -> tuple[str, float | None, float | None]:
    """Unit, value and sum with a secondary unit turned into its primary one, where the version allows such units.

    A unit with an offset (dBm) is left alone beside a sum: the sum of an offset depends on a duration nobody sent.
    """
    if not version & SECONDARY_UNITS or unit not in SECONDARY or form not in ("v", ""):
        return unit, value, total
    primary, scale, offset = SECONDARY[unit]
    if offset and total is not None:
        return unit, value, total
    return (
        primary,
        None if value is None else _bounded(value * scale + offset, "value"),
        None if total is None else _bounded(total * scale, "sum"),
    )


def _version(labels: dict[object, object], current: int) -> int:
    if "bver" not in labels:
        return current
    number = _number(labels, "bver", 0.0)
    version = int(number)
    if version != number or version < 1:
        raise _Wrong(f"bver is {show(labels['bver'])}; expected a whole number such as {DEFAULT_VERSION}")
    if version > DEFAULT_VERSION and version & ~FEATURES:
        raise _Wrong(f"bver {number:g} needs features not known here; {DEFAULT_VERSION} and {FEATURES} can be read")
    return version


def _text(labels: dict[object, object], label: str, otherwise: str) -> str:
    found = labels.get(label, _ABSENT)
    if found is _ABSENT:
        return otherwise
    if not isinstance(found, str):
        raise _Wrong(f"{label} is {show(found)}; expected text")
    return found


def _data(found: object) -> str:
    if isinstance(found, bytes):
        return base64.urlsafe_b64encode(found).rstrip(b"=").decode("ascii")
    if not isinstance(found, str) or _BASE64URL.fullmatch(found) is None or len(found) % 4 == 1:
        raise _Wrong(f"vd is {show(found)}; expected base64url without padding")
    return found


def _number(labels: dict[object, object], label: str, otherwise: float, *, may_be_nan: bool = False) -> float:
    found = labels.get(label, _ABSENT)
    if found is _ABSENT:
        return otherwise
    if isinstance(found, bool) or not isinstance(found, (int, float)):
        raise _Wrong(f"{label} is {show(found)}; expected a number")
    try:
        number = float(found)
    except OverflowError:
        raise _Wrong(f"{label} is too large for a number") from None
    if math.isnan(number) and not may_be_nan:
        raise _Wrong(f"{label} is NaN; expected a number")
    return _bounded(number, label)


def _bounded(number: float, what: str) -> float:
    if math.isinf(number):
        raise _Wrong(f"{what} is infinite; expected a number a probe can measure")
    return number
