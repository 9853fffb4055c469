"""Where a rule holds: place patterns of a rule against the places of a lab.

A pattern is a place id whose levels may be '*': 'juniper/top', 'juniper/*', '*/top', 'room'. The one pattern 'broker'
stands for the collector's own link to the broker and never for a place of the lab.
"""

import re

from collector.alarms.model import Rule
from collector.domain.units import PUBLISHED

BROKER = "broker"
_LEVEL = r"(?:\*|[A-Za-z0-9][A-Za-z0-9_-]*)"
_PATTERN = re.compile(f"{_LEVEL}(?:/{_LEVEL})?")


def is_pattern(text: str) -> bool:
    """Whether `text` can be a place pattern at all."""
    return _PATTERN.fullmatch(text) is not None


def fits(pattern: str, place: str) -> bool:
    """Whether one pattern covers one place. '*' stands for one whole level, so 'juniper/*' covers the trays of
    juniper and not the bin itself."""
    wanted, given = pattern.split("/"), place.split("/")
    return len(wanted) == len(given) and all(w in ("*", g) for w, g in zip(wanted, given, strict=True))


def about_broker(rule: Rule) -> bool:
    """Whether the rule watches the link to the broker rather than probes."""
    return rule.where == (BROKER,)


def holds_at(rule: Rule, measure: str, place: str) -> bool:
    """Whether the rule makes an alarm for a series of this measure at this place; one for any measure is about what
    probes send."""
    if about_broker(rule) or (rule.measure != measure if rule.measure else measure not in PUBLISHED):
        return False
    return not rule.where or any(fits(pattern, place) for pattern in rule.where)
