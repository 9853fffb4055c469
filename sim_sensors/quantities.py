"""Quantities as scenario files write them: '20 degC', '60 %', '30 min', '9 /h'."""

import math
import re

SCALES: dict[str, dict[str, float]] = {
    "duration": {"s": 1_000, "min": 60_000, "h": 3_600_000, "d": 86_400_000},
    "temperature": {"degC": 1},
    "percent": {"%": 1},
    "humidity": {"%RH": 1, "%": 1},
    "area": {"m2": 1},
    "mass": {"kg": 1, "g": 0.001},
    "volume": {"L": 1, "mL": 0.001},
    "speed": {"m/s": 1},
    "oxygen": {"mg/L": 1},
    "uptake": {"mg/L/h": 1},
    "food": {"g/L": 1},
    "rate": {"/h": 1},
    "length": {"m": 1},
    "conductance": {"W/K": 1},
    "vapour": {"kPa": 1},
}
"""Unit names of each dimension and what one of them is in the unit used inside: ms, degC, %, m2, kg, L, m/s, mg/L,
mg/(L h), g/L, 1/h, m, W/K, kPa."""

EXAMPLES = {
    "duration": "30 min",
    "temperature": "20 degC",
    "percent": "75 %",
    "humidity": "45 %RH",
    "area": "0.165 m2",
    "mass": "6 kg",
    "volume": "20 L",
    "speed": "2 m/s",
    "oxygen": "8 mg/L",
    "uptake": "12 mg/L/h",
    "food": "2 g/L",
    "rate": "9 /h",
    "length": "120 m",
    "conductance": "0.8 W/K",
    "vapour": "0.1 kPa",
    "number": "0.1",
}

_SHAPE = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S*)")


def parse(text: str, dimension: str) -> float:
    """The number in the unit used inside. Raises ValueError that says what would be right. Dimension 'number' takes a
    number without a unit."""
    units = SCALES.get(dimension, {"": 1})
    found = _SHAPE.fullmatch(text.strip())
    if found is None or found[2] not in units:
        what = "a number" if dimension == "number" else f"a quantity in {' or '.join(units)}"
        raise ValueError(f"'{text}' is not {what}; write it like '{EXAMPLES[dimension]}'")
    value = float(found[1]) * units[found[2]]
    if not math.isfinite(value):
        raise ValueError(f"'{text}' is too large")
    return value
