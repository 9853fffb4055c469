"""How the numbers of an alarm are said: each kind compares something else, in a unit of its own."""

from collector.alarms.model import Kind, Rule
from collector.domain.lab import Lab, Series
from collector.domain.units import MEASURES, show_difference, show_duration, show_rate, show_value

LASTING = (Kind.SILENT, Kind.OVERDUE)
"""Kinds whose setpoint is a time, and which have no value."""


def show_amount(rule: Rule, measure: str, value: float | None, us: bool = False) -> str:
    """A value that the rule compares with its setpoint: '31.2 °C', '2.3 °C per h', '45 %'. `measure` is that of the
    series, for rules that hold for every one. Empty where the kind has no value."""
    if value is None or rule.kind in LASTING:
        return ""
    match rule.kind:
        case Kind.SUSPECT:
            return f"{round(value)} %"
        case Kind.RATE:
            return show_rate(measure, value, us)
        case Kind.DEVIATION | Kind.DISCREPANCY:
            return show_difference(measure, value, us)
        case _:
            return show_value(measure, value, us)


def unit_of(rule: Rule, measure: str) -> str:
    """The unit of such a value as it is stored: 'degC', 'K' for what is a difference of temperatures, 'K per h'."""
    if rule.kind in LASTING:
        return ""
    if rule.kind is Kind.SUSPECT:
        return "%"
    spec = MEASURES[measure]
    apart = "K" if spec.dimension == "temperature" else spec.unit
    match rule.kind:
        case Kind.RATE:
            return f"{apart} per h"
        case Kind.DEVIATION | Kind.DISCREPANCY:
            return apart
        case _:
            return spec.unit


def show_setpoint(rule: Rule, us: bool = False) -> str:
    """The setpoint of a rule, with its direction where it has one."""
    if rule.kind in LASTING:
        return show_duration(round(rule.setpoint))
    sign = "+" if rule.kind in (Kind.DEVIATION, Kind.RATE) and rule.setpoint > 0 else ""
    return sign + show_amount(rule, rule.measure, rule.setpoint, us)


def other_probe(lab: Lab, series: Series) -> str:
    """The probe that a `discrepancy` at this series is held against; empty where the lab has none."""
    beside = (probe for probe in lab.probes if probe.place == series.place)
    found = [probe.id for probe in beside if any(channel.measure == series.measure for channel in probe.channels)]
    return min((name for name in found if name != series.probe), default="")


def other_label(rule: Rule) -> tuple[str, str]:
    """What a `deviation` is against: the label of the measure, and the place."""
    measure, _, place = rule.against.partition(" at ")
    return MEASURES[measure].label if measure in MEASURES else measure, place
