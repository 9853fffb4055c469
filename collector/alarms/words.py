"""How the numbers of an alarm are said: each kind compares something else, in a unit of its own."""

from collector.alarms.kinds.table import kind_of
from collector.alarms.model import Rule


def show_amount(rule: Rule, measure: str, value: float | None, us: bool = False) -> str:
    """A value that the rule compares with its setpoint: '31.2 °C', '2.3 °C per h', '45 %'. `measure` is that of the
    series, for rules that hold for every one. Empty where the kind has no value."""
    setpoint = kind_of(rule).setpoint
    return "" if value is None or setpoint.lasting else setpoint.show(measure, value, us)


def unit_of(rule: Rule, measure: str) -> str:
    """The unit of such a value as it is stored: 'degC', 'K' for what is a difference of temperatures, 'K per h'."""
    return kind_of(rule).setpoint.unit(measure)


def show_setpoint(rule: Rule, us: bool = False) -> str:
    """The setpoint of a rule, with its direction where it has one."""
    setpoint = kind_of(rule).setpoint
    sign = "+" if setpoint.signed and rule.setpoint > 0 else ""
    return sign + setpoint.show(rule.measure, rule.setpoint, us)
