"""Which of two alarms is the more urgent, and which speaks for the other."""

from collector.alarms.model import Priority, Rule

LONGEST_WAY_MS = 12 * 3_600_000
"""So long an alarm may give way after the end of a worse one, at most."""
_RANK = {Priority.HIGH: 0, Priority.MEDIUM: 1, Priority.LOW: 2}


def rank(priority: Priority) -> int:
    """The most urgent first."""
    return _RANK[priority]


def gives_way(rule: Rule, other: Rule) -> bool:
    """Whether `other` speaks for `rule`: it is named there and no less urgent, and they do not name each other."""
    named = other.name in rule.gives_way_to and rule.name not in other.gives_way_to
    return named and rank(other.priority) <= rank(rule.priority)
