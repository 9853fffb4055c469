"""Where a rule holds: place patterns of a rule against the places of a lab.

The one pattern 'broker' stands for the collector's own link to the broker and never for a place of the lab.
"""

from collector.alarms.model import Rule
from collector.domain.patterns import fits as fits
from collector.domain.patterns import is_pattern as is_pattern
from collector.domain.units import PUBLISHED

BROKER = "broker"


def about_broker(rule: Rule) -> bool:
    """Whether the rule watches the link to the broker rather than probes."""
    return rule.where == (BROKER,)


def holds_at(rule: Rule, measure: str, place: str) -> bool:
    """Whether the rule makes an alarm for a series of this measure at this place; one for any measure is about what
    probes send."""
    if about_broker(rule) or (rule.measure != measure if rule.measure else measure not in PUBLISHED):
        return False
    return not rule.where or any(fits(pattern, place) for pattern in rule.where)
