"""Quantities within the texts of rules: "They die at {35 degC}" reads 35 °C, or 95 °F where the lab says US units.

    {35 degC}      a temperature          {12-25 degC}   from one to another
    {5 K}          a difference of two temperatures
    {0.25 L}       a volume; likewise a mass, a length, an area

What reads the same in both systems (times, %, mg/L) needs no braces.
"""

import re
from collections.abc import Iterator

from collector.domain.units import (
    meant_unit,
    parse_quantity,
    quantity_units,
    show_mass,
    show_volume,
)

_BRACES = re.compile(r"\{([^{}]*)\}")
_NUMBER = r"[0-9]+(?:\.[0-9]+)?"
_SHAPE = re.compile(rf"(-?{_NUMBER})(?:-({_NUMBER}))? ?([^\s0-9.-].*)")
_BARE_METRIC, _BARE_US = (
    re.compile(rf"(?<![\w.-])-?{_NUMBER}(?:-{_NUMBER})? ?(?:{units})(?!\w)")
    for units in ("degC|°C|L|mL|kg|g|m|cm|mm", "degF|°F|gal|qt|pt|fl oz|lb|oz|ft|sq ft|sq in")
)
_DIMENSIONS = ("temperature difference", "temperature", "volume", "mass", "length", "area")
_UNITS = {
    unit: dimension
    for dimension in _DIMENSIONS
    for unit in quantity_units(dimension)
    if (unit == "K") == (dimension == "temperature difference")
}
"""A degree by its name is a temperature, a kelvin a difference of two."""


def in_units_of(text: str, us: bool) -> str:
    """The text with its quantities as the lab reads them; what is no quantity stays as it is written."""
    return _BRACES.sub(lambda found: _shown_or(found[0], found[1], us), text)


def slips_in(text: str) -> Iterator[str]:
    """What is wrong with the quantities of a text, a line each."""
    for found in _BRACES.finditer(text):
        try:
            _parsed(found[1])
        except ValueError as error:
            yield str(error)
    if re.search(r"[{}]", _BRACES.sub("", text)):
        yield "has a brace without its other one; a quantity is written like {35 degC}"


def bare_in(text: str, us: bool) -> list[str]:
    """Quantities outside of braces that people of the other units would read here, as written."""
    return [found[0] for found in (_BARE_METRIC if us else _BARE_US).finditer(_BRACES.sub("", text))]


def _shown_or(written: str, inside: str, us: bool) -> str:
    try:
        dimension, values = _parsed(inside)
    except ValueError:
        return written
    shown = [_show(dimension, value, us) for value in values]
    units = {quantity.partition(" ")[2] for quantity in shown}
    if len(units) > 1:
        return " to ".join(shown)
    return f"{'-'.join(quantity.partition(' ')[0] for quantity in shown)} {units.pop()}"


def _parsed(inside: str) -> tuple[str, list[float]]:
    """The dimension and one or two values in its canonical unit."""
    found = _SHAPE.fullmatch(inside.strip())
    if found is None:
        raise ValueError(f"'{{{inside}}}' is not a quantity; write it like {{35 degC}}, {{12-25 degC}} or {{0.25 L}}")
    numbers, unit = [number for number in found.groups()[:2] if number], found[3]
    if unit not in _UNITS:
        meant = meant_unit(unit, _UNITS)
        right = f"did you mean '{{{'-'.join(numbers)} {meant}}}'?" if meant else f"use one of {', '.join(_UNITS)}"
        raise ValueError(f"'{{{inside}}}': '{unit}' is not a unit of a text; {right}")
    dimension = _UNITS[unit]
    return dimension, [parse_quantity(f"{number} {unit}", dimension) for number in numbers]


def _show(dimension: str, value: float, us: bool) -> str:
    if dimension == "temperature":
        return f"{_short(value * 1.8 + 32)} °F" if us else f"{_short(value)} °C"
    if dimension == "temperature difference":
        return f"{_short(value * 1.8)} °F" if us else f"{_short(value)} °C"
    if dimension == "volume":
        return show_volume(value, us) if us else f"{value:.3g} L"
    if dimension == "mass":
        return show_mass(value, us) if us else f"{value:.3g} kg"
    if dimension == "length":
        return f"{value / 0.3048:.0f} ft" if us else f"{_short(value)} m"
    return f"{value / 0.09290304:.3g} ft2" if us else f"{value:.3g} m2"


def _short(value: float) -> str:
    """To a tenth, without a tenth that is nothing."""
    return f"{round(value, 1) + 0.0:g}"
