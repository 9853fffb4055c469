"""Measures, their canonical units, and quantities as people write them ("24 degC", "75 degF", "60 %", "30 min").

Every number inside the collector is in the canonical unit of its measure or, for quantities, of its dimension:
temperature degC, temperature difference K, moisture and level %, duration ms, length m, area m2, volume L, mass kg.
Sources: SenML unit names RFC 8428 section 12.1, RFC 8798; US units per NIST SP 811.
"""

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

MS = {"s": 1_000, "min": 60_000, "h": 3_600_000, "d": 86_400_000}


@dataclass(frozen=True, slots=True)
class Measure:
    """What a probe channel measures. `low` and `high` bound what can exist at all."""

    name: str
    label: str
    unit: str
    dimension: str
    low: float
    high: float
    decimals: int


_ALL = (
    Measure("bedding_temperature", "bedding temperature", "degC", "temperature", -273.15, 1000.0, 1),
    Measure("bedding_moisture", "bedding moisture", "%", "percent", 0.0, 100.0, 1),
    Measure("air_temperature", "air temperature", "degC", "temperature", -273.15, 1000.0, 1),
    Measure("air_humidity", "air humidity", "%RH", "humidity", 0.0, 100.0, 0),
    Measure("tea_temperature", "tea temperature", "degC", "temperature", -273.15, 1000.0, 1),
    Measure("dissolved_oxygen", "dissolved oxygen", "mg/L", "oxygen", 0.0, 100.0, 1),
    Measure("air_pump", "air pump", "on/off", "switch", 0.0, 1.0, 0),
    Measure("leachate_level", "leachate level", "%", "percent", 0.0, 100.0, 0),
    Measure("battery", "battery", "V", "voltage", 0.0, 100.0, 2),
    # Not sent by probes: computed from what they send, or known of the collector itself.
    Measure("oxygen_saturation", "oxygen, share of saturation", "%", "percent", 0.0, 300.0, 0),
    Measure("backlog", "messages not yet stored", "messages", "count", 0.0, 1e9, 0),
    Measure("disk_free", "free space on the disk", "MB", "storage", 0.0, 1e12, 0),
    Measure("mail_waiting", "oldest message waiting", "min", "minutes", 0.0, 1e9, 0),
    Measure("clock_step", "step of the clock", "s", "seconds", 0.0, 1e12, 0),
    Measure("restarts", "starts within a day", "times", "count", 0.0, 1e9, 0),
    Measure("journal_sound", "time since damage to the journal", "min", "minutes", 0.0, 1e9, 0),
    Measure("journal_unread", "time in which part of the journal could not be read", "min", "minutes", 0.0, 1e9, 0),
    Measure("session_kept", "time since the broker forgot us", "min", "minutes", 0.0, 1e9, 0),
    Measure("not_kept", "readings not kept within an hour", "readings", "count", 0.0, 1e12, 0),
)
MEASURES: dict[str, Measure] = {measure.name: measure for measure in _ALL}
COMPUTED = ("oxygen_saturation",)
OWN = (
    *("backlog", "disk_free", "mail_waiting", "clock_step", "restarts"),
    *("journal_sound", "journal_unread", "session_kept", "not_kept"),
)
PUBLISHED = tuple(name for name in MEASURES if name not in (*COMPUTED, *OWN))
"""What a probe may send."""

_IDENTITY = (1.0, 0.0)
_FAHRENHEIT = (1 / 1.8, -32 / 1.8)

# What a probe may send, by dimension: unit name -> (scale, offset) so that canonical = sent * scale + offset.
# SenML names first, then the plain ones. "/" is a ratio (RFC 8428): 0.76 is 76 %. "%" by itself means 0..100 here:
# RFC 8428 discourages it, and probes that send it mean percent.
_SENT: dict[str, dict[str, tuple[float, float]]] = {
    "temperature": {"Cel": _IDENTITY, "degC": _IDENTITY, "K": (1.0, -273.15), "degF": _FAHRENHEIT},
    "percent": {"/": (100.0, 0.0), "/100": _IDENTITY, "%": _IDENTITY},
    "humidity": {"%RH": _IDENTITY, "/": (100.0, 0.0), "%": _IDENTITY},
    "oxygen": {"kg/m3": (1000.0, 0.0), "mg/L": _IDENTITY},
    "switch": {"on/off": _IDENTITY, "/": _IDENTITY, "count": _IDENTITY},
    "voltage": {"V": _IDENTITY, "mV": (0.001, 0.0)},
}
_SENT |= {dimension: {} for dimension in ("count", "storage", "minutes", "seconds")}


RAW_UNITS = ("count", "V", "mV", "A", "mA", "Ohm", "Hz", "Pa")
"""Units of probes that do not send their measure itself and need calibration points: SenML names if there are any."""


def sent_units(measure: str) -> tuple[str, ...]:
    """The unit names a channel of this measure may send without calibration."""
    return tuple(_SENT[MEASURES[measure].dimension])


def known_units() -> tuple[str, ...]:
    """Every unit name a channel may have, calibrated or not."""
    return tuple(dict.fromkeys([unit for units in _SENT.values() for unit in units] + list(RAW_UNITS)))


def meant_unit(written: str, known: Iterable[str]) -> str | None:
    """The unit of `known` that somebody writing `written` most likely means ('°C' is degC, 'l' is L), or None."""
    wanted = _MEANT.get(written.casefold(), (written.casefold(),))
    return next((unit for unit in known if unit in wanted or unit.casefold() in wanted), None)


def from_sent(measure: str, unit: str) -> tuple[float, float] | None:
    """(scale, offset) with canonical = sent * scale + offset, or None where the unit does not measure this."""
    return _SENT[MEASURES[measure].dimension].get(unit)


_GALLON_L = 3.785411784
"""231 cubic inches. A quart is a quarter, a pint an eighth, a cup a sixteenth of it, and a cup has 8 fluid ounces, 16
tablespoons or 48 teaspoons (NIST Handbook 44 appendix C; NIST SP 811)."""
_QUANTITY: dict[str, dict[str, tuple[float, float]]] = {
    "temperature": {"degC": _IDENTITY, "degF": _FAHRENHEIT, "K": (1.0, -273.15)},
    "temperature difference": {"degC": _IDENTITY, "K": _IDENTITY, "degF": (1 / 1.8, 0.0)},
    "percent": {"%": _IDENTITY},
    "humidity": {"%RH": _IDENTITY, "%": _IDENTITY},
    "oxygen": {"mg/L": _IDENTITY},
    "voltage": {"V": _IDENTITY, "mV": (0.001, 0.0)},
    "count": {"messages": _IDENTITY, "times": _IDENTITY, "readings": _IDENTITY},
    "storage": {"MB": _IDENTITY, "GB": (1000.0, 0.0)},
    "minutes": {"min": _IDENTITY, "h": (60.0, 0.0), "d": (1440.0, 0.0)},
    "seconds": {"s": _IDENTITY, "min": (60.0, 0.0), "h": (3600.0, 0.0)},
    "duration": {unit: (float(ms), 0.0) for unit, ms in MS.items()},
    "length": {"m": _IDENTITY, "cm": (0.01, 0.0), "mm": (0.001, 0.0), "ft": (0.3048, 0.0), "in": (0.0254, 0.0)},
    "area": {
        "m2": _IDENTITY,
        "cm2": (0.0001, 0.0),
        "ft2": (0.09290304, 0.0),
        "sq ft": (0.09290304, 0.0),
        "in2": (0.00064516, 0.0),
        "sq in": (0.00064516, 0.0),
    },
    "volume": {
        "L": _IDENTITY,
        "mL": (0.001, 0.0),
        "gal": (_GALLON_L, 0.0),
        "qt": (_GALLON_L / 4, 0.0),
        "pt": (_GALLON_L / 8, 0.0),
        "cups": (_GALLON_L / 16, 0.0),
        "cup": (_GALLON_L / 16, 0.0),
        "fl oz": (_GALLON_L / 128, 0.0),
        "tbsp": (_GALLON_L / 256, 0.0),
        "tsp": (_GALLON_L / 768, 0.0),
    },
    "mass": {"kg": _IDENTITY, "g": (0.001, 0.0), "lb": (0.45359237, 0.0), "oz": (0.028349523125, 0.0)},
}
_EXAMPLE = {
    "temperature": "24 degC",
    "temperature difference": "1 degC",
    "percent": "60 %",
    "humidity": "40 %RH",
    "oxygen": "6 mg/L",
    "switch": "on",
    "voltage": "3.3 V",
    "count": "3 times",
    "storage": "500 MB",
    "minutes": "30 min",
    "seconds": "60 s",
    "duration": "30 min",
    "length": "1.5 m",
    "area": "0.16 m2",
    "volume": "20 L",
    "mass": "0.5 kg",
}
_SLIPS = (
    (("Cel", "degC"), "c °c celsius centigrade degc"),
    (("degF",), "f °f fahrenheit"),
    (("K",), "kelvin"),
    (("%", "%RH"), "percent pct"),
    (("%RH",), "rh"),
    (("mg/L",), "ppm"),
    (("count",), "raw counts adc"),
    (("V",), "volt volts"),
    (("Ohm",), "ohms Ω"),
    (("s",), "sec secs second seconds"),
    (("min",), "m mins minute minutes"),
    (("h",), "hr hrs hour hours"),
    (("d",), "day days"),
    (("m",), "metre metres meter meters"),
    (("ft",), "foot feet"),
    (("in",), "inch inches"),
    (("m2",), "m² m^2 sqm"),
    (("cm2",), "cm² cm^2 sqcm"),
    (("ft2",), "ft² ft^2 sqft"),
    (("in2",), "in² in^2 sqin"),
    (("qt",), "quart quarts"),
    (("pt",), "pint pints"),
    (("fl oz",), "floz oz"),
    (("tbsp",), "tbs tablespoon tablespoons"),
    (("tsp",), "teaspoon teaspoons"),
    (("L",), "litre litres liter liters"),
    (("gal",), "gallon gallons"),
    (("lb",), "lbs pounds"),
    (("oz", "fl oz"), "ounce ounces"),
)
_MEANT = {word.casefold(): units for units, words in _SLIPS for word in words.split()}
_NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_SHAPE = re.compile(rf"({_NUMBER})\s*([^\s0-9.](?:.*\S)?)")
_BARE = re.compile(_NUMBER)
_LONGEST = 40
_LONGEST_MS = 3_653 * MS["d"]


def difference_of(dimension: str) -> str:
    """The dimension of a difference of two values: 1 degF of deadband is 0.56 K, while 1 degF itself is -17.2 degC."""
    return "temperature difference" if dimension == "temperature" else dimension


def parse_quantity(text: object, dimension: str) -> float:
    """A written quantity in the canonical unit of `dimension` ("75 degF" as a temperature is 23.89; durations in ms).

    Raises ValueError whose text says what would be right, with no file or place in it.
    """
    if dimension == "switch":
        if isinstance(text, bool) or text in ("on", "off"):
            return 1.0 if text in (True, "on") else 0.0
        raise ValueError(f"{_shown(text)} is neither on nor off")
    number, unit = _number_and_unit(text, dimension)
    known = _QUANTITY[dimension]
    if unit not in known:
        meant = meant_unit(unit, known)
        right = f"did you mean '{number:g} {meant}'?" if meant else f"use one of {', '.join(known)}"
        raise ValueError(f"{text!r}: '{unit}' is not a unit of {dimension}; {right}")
    scale, offset = known[unit]
    value = number * scale + offset
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is too large")
    return value


def _number_and_unit(text: object, dimension: str) -> tuple[float, str]:
    written = text.strip() if isinstance(text, str) else text
    if isinstance(written, (int, float)) and not isinstance(written, bool):
        raise ValueError(f"{written} has no unit; write it like '{_EXAMPLE[dimension]}'")
    if not isinstance(written, str) or not written or len(written) > _LONGEST:
        raise ValueError(f"{_shown(text)} is not a quantity of {dimension}; write it like '{_EXAMPLE[dimension]}'")
    if _BARE.fullmatch(written):
        raise ValueError(f"{text!r} has no unit; write it like '{_EXAMPLE[dimension]}'")
    found = _SHAPE.fullmatch(written)
    if found is None:
        raise ValueError(f"{text!r} is not a quantity of {dimension}; write it like '{_EXAMPLE[dimension]}'")
    if found[2].startswith(","):
        raise ValueError(f"{text!r}: write decimals with a point, like '{_EXAMPLE[dimension]}'")
    return float(found[1]), found[2]


def _shown(value: object) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, (dict, list)):
        return "a list" if isinstance(value, list) else "a group of keys"
    text = repr(value)
    return text if len(text) <= _LONGEST + 2 else f"{text[:_LONGEST]}..."


def quantity_units(dimension: str) -> tuple[str, ...]:
    """The units in which a quantity of this dimension is written."""
    return tuple(_QUANTITY[dimension])


def quantity_schema(dimension: str) -> dict[str, object]:
    """JSON Schema of a quantity as it is written in a settings file."""
    units = "|".join(re.escape(unit) for unit in _QUANTITY[dimension])
    return {"type": "string", "pattern": rf"^\s*{_NUMBER}\s*({units})\s*$", "examples": [_EXAMPLE[dimension]]}


def parse_rate(text: object, dimension: str) -> float:
    """A written change per time ("2 degC per h", "-0.5 % per d") in the dimension's canonical unit per hour."""
    amount, per, unit = text.rpartition(" per ") if isinstance(text, str) else ("", "", "")
    example = f"{_EXAMPLE[dimension]} per h"
    if not per or unit.strip() not in MS:
        known = f"'{unit.strip()}' is not s, min, h or d" if per else "is not a change per time"
        raise ValueError(f"{_shown(text)}: {known}; write it like '{example}'")
    return parse_quantity(amount, dimension) * MS["h"] / MS[unit.strip()]


def parse_duration_ms(text: object) -> int:
    """A written duration in ms, not negative. Raises ValueError that says what would be right."""
    value = round(parse_quantity(text, "duration"))
    if value < 0:
        raise ValueError(f"{text!r} is negative; a duration is 0 s or more")
    if value > _LONGEST_MS:
        raise ValueError(f"{text!r} is too long; a duration is 10 years at most")
    return value


def show_value(measure: str, value: float | None, us: bool = False) -> str:
    """A value with its unit for people: '31.2 °C', '76 %', 'off'; temperatures in °F where the lab says US units."""
    if value is None:
        return "no value"
    spec = MEASURES[measure]
    if spec.dimension == "switch":
        return "on" if value >= 0.5 else "off"
    return _SHOW.get(spec.dimension, _plain)(value, spec, us)


def shown_number(measure: str, value: float, us: bool = False) -> float:
    """A value on the scale that people read: in °F where the lab says US units."""
    return value * 1.8 + 32 if us and MEASURES[measure].dimension == "temperature" else value


def shown_unit(measure: str, us: bool = False) -> str:
    """The unit that people read beside it: '°C', '%', 'mg/L'; empty for a switch."""
    spec = MEASURES[measure]
    if spec.dimension == "temperature":
        return "°F" if us else "°C"
    return {"on/off": "", "%RH": "%"}.get(spec.unit, spec.unit)


def _temperature(value: float, spec: Measure, us: bool) -> str:
    decimals = 1 if us else spec.decimals
    return f"{_fixed(shown_number(spec.name, value, us), decimals)} {shown_unit(spec.name, us)}"


def _plain(value: float, spec: Measure, us: bool) -> str:
    return f"{_fixed(value, spec.decimals)} {shown_unit(spec.name, us) or spec.unit}"


def _fixed(value: float, decimals: int) -> str:
    return f"{round(value, decimals) + 0.0:.{decimals}f}"  # + 0.0 turns -0.0 into 0.0


def show_difference(measure: str, value: float, us: bool = False) -> str:
    """A difference of two values with its unit: '7.2 °C', '12.0 %'."""
    spec = MEASURES[measure]
    if spec.dimension != "temperature":
        return _plain(value, spec, us)
    return f"{_fixed(value * 1.8, 1)} °F" if us else f"{_fixed(value, spec.decimals)} °C"


def show_rate(measure: str, value: float, us: bool = False) -> str:
    """A change per hour: '2.3 °C per h'."""
    return f"{show_difference(measure, value, us)} per h"


def show_volume(volume_l: float, us: bool = False) -> str:
    """A volume of water for people: '0.6 L', or in US units the one that is handy: '20 fl oz', '1.5 qt', '1.2 gal'."""
    if not us:
        return f"{_fixed(volume_l, 1)} L"
    quarts = volume_l / _GALLON_L * 4
    if quarts < 1:
        return f"{_fixed(quarts * 32, 0)} fl oz"
    return f"{_fixed(quarts, 1)} qt" if quarts < 4 else f"{_fixed(quarts / 4, 1)} gal"


def show_mass(mass_kg: float, us: bool = False) -> str:
    """A mass for people: '0.4 kg', or in US units '14 oz', '1.5 lb'."""
    if not us:
        return f"{_fixed(mass_kg, 1)} kg"
    pounds = mass_kg / 0.45359237
    return f"{_fixed(pounds * 16, 0)} oz" if pounds < 1 else f"{_fixed(pounds, 1)} lb"


_SHOW: dict[str, Callable[[float, Measure, bool], str]] = {"temperature": _temperature}


def show_duration(ms: int) -> str:
    """A duration for people, to two units at most: '45 s', '25 min', '3 h 20 min', '2 d 4 h'."""
    seconds = max(0, round(ms / 1000))
    if seconds < 60:
        return f"{seconds} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(round(seconds / 3600), 24)
    return f"{days} d {hours} h" if hours else f"{days} d"
