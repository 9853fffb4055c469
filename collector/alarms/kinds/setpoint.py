"""What a kind compares with its setpoint: how that is written in a rule file, what is impossible, and how it is said.

VALUE         a reading                      27 degC, 60 %
DIFFERENCE    between two readings           3 degC
SIDE          the same, one side of it       +6 degC
RATE          a change per hour              -1.5 % per h
SHARE         a part of the readings         30 %
TIME          how long                       30 min
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

from collector.domain.units import (
    MEASURES,
    Measure,
    difference_of,
    parse_duration_ms,
    parse_quantity,
    parse_rate,
    show_difference,
    show_duration,
    show_rate,
    show_value,
)


def _fine(value: float, written: object) -> str:
    return ""


def possible(written: object, measure: Measure) -> float:
    """A value that the measure can have; ValueError otherwise."""
    value = parse_quantity(written, measure.dimension)
    if not measure.low <= value <= measure.high:
        span = f"{measure.low:g} to {measure.high:g} {measure.unit}"
        raise ValueError(f"'{written}' is outside what {measure.label} can be ({span})")
    return value


def _apart(written: object, measure: Measure) -> float:
    return parse_quantity(written, difference_of(measure.dimension))


@dataclass(frozen=True, slots=True, kw_only=True)
class Setpoint:
    """Values are in the canonical unit of the measure, rates per hour, shares in %, times in ms."""

    parse: Callable[[object, Measure], float] = possible
    """Reads what is written; ValueError says what would be right."""
    parse_deadband: Callable[[object, Measure], float] = _apart
    plain: Callable[[object], float] | None = None
    """Reads both, where they are not in the dimension of what is measured."""
    show: Callable[[str, float, bool], str]
    """(measure, value, whether in US units) -> '31.2 °C'."""
    unit: Callable[[str], str]
    """Measure -> unit of what is stored: 'degC', 'K per h'."""
    problem: Callable[[float, object], str] = _fine
    """(setpoint, as it was written) -> what is wrong with it, if anything is."""
    means: str = ""
    """What it is, for who writes rules, where it is not a value of the measure."""
    asks: str = "the value beyond which it alarms"
    lasting: bool = False
    """Whether it is a time, so that such an alarm has no value."""
    signed: bool = False
    """Whether its sign is the side on which it alarms."""

    @property
    def of_measure(self) -> bool:
        """Whether it is in the dimension of what is measured."""
        return self.plain is None


def _per_hour(written: object, measure: Measure) -> float:
    return parse_rate(written, difference_of(measure.dimension))


def _apart_unit(measure: str) -> str:
    spec = MEASURES[measure]
    return "K" if spec.dimension == "temperature" else spec.unit


def _negative(value: float, written: object) -> str:
    return f"'{written}' is negative; give how far apart they may be" if value < 0 else ""


def _no_side(unit: str) -> Callable[[float, object], str]:
    wrong = f"is zero, which has no direction; write it like '+2 {unit}' or '-2 {unit}'"
    return lambda value, written: wrong if value == 0 else ""


def _no_share(value: float, written: object) -> str:
    return "" if 0 <= value <= 100 else f"'{written}' is no share; give 0 to 100 %"


VALUE = Setpoint(show=show_value, unit=lambda measure: MEASURES[measure].unit)
DIFFERENCE = Setpoint(
    parse=_apart,
    show=show_difference,
    unit=_apart_unit,
    problem=_negative,
)
SIDE = replace(DIFFERENCE, problem=_no_side("degC"), means="a difference with '+' above or '-' below", signed=True)
RATE = Setpoint(
    parse=_per_hour,
    parse_deadband=_per_hour,
    show=show_rate,
    unit=lambda measure: f"{_apart_unit(measure)} per h",
    problem=_no_side("degC per h"),
    means="a change per time",
    signed=True,
)
SHARE = Setpoint(
    plain=lambda written: parse_quantity(written, "percent"),
    show=lambda measure, value, us: f"{round(value)} %",
    unit=lambda measure: "%",
    problem=_no_share,
    means="a share",
)


def lasting(asks: str, example: str) -> Setpoint:
    """A time. `asks`: what for; `example`: one as a rule file has it."""
    zero = f"is zero; give {asks}, like '{example}'"
    return Setpoint(
        plain=lambda written: float(parse_duration_ms(written)),
        show=lambda measure, value, us: show_duration(round(value)),
        unit=lambda measure: "",
        problem=lambda value, written: zero if value == 0 else "",
        means="how long",
        asks=asks,
        lasting=True,
    )
