"""Every kind of rule there is. A new one is a module beside the others and a line here."""

from collections.abc import Mapping
from types import MappingProxyType

from collector.alarms.kinds import deviation, discrepancy, forecast, level, overdue, rate, silent, suspect
from collector.alarms.kinds.kind import RuleKind
from collector.alarms.model import Kind, Rule

_ALL: tuple[RuleKind, ...] = (
    level.HIGH,
    level.LOW,
    deviation.DEVIATION,
    rate.RATE,
    forecast.FORECAST,
    silent.SILENT,
    suspect.SUSPECT,
    discrepancy.DISCREPANCY,
    overdue.OVERDUE,
)
KINDS: Mapping[Kind, RuleKind] = MappingProxyType({said.kind: said for said in _ALL})


def kind_of(rule: Rule) -> RuleKind:
    """What kind of rule this is."""
    return KINDS[rule.kind]


def direction(rule: Rule) -> float:
    """1.0 where values above the setpoint alarm, -1.0 where those below do."""
    return kind_of(rule).direction(rule)
