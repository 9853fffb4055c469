"""What the lab's contexts say about one alarm: suppressed by design, out of service, and when that next changes."""

from collector.alarms.contexts import Contexts, parse_condition
from collector.alarms.model import Rule

IN_SERVICE = parse_condition("tray in service")


class Gate:
    """The conditions of one rule at one place. Whatever the rule, a tray out of service takes its alarms along."""

    __slots__ = ("_rule", "contexts", "place")

    def __init__(self, rule: Rule, place: str, contexts: Contexts) -> None:
        self._rule, self.place, self.contexts = rule, place, contexts

    def away(self, t_ms: int) -> bool:
        """Whether the place is out of service."""
        return not self.contexts.holds(IN_SERVICE, self.place, t_ms)

    def blocked(self, t_ms: int) -> str:
        """Why the alarm is suppressed by design; empty where it is not."""
        for condition in self._rule.only_while:
            if not self.contexts.holds(condition, self.place, t_ms):
                return f"only while {condition}"
        for condition in self._rule.not_while:
            if self.contexts.holds(condition, self.place, t_ms):
                return f"not while {condition}"
        return ""

    def next_ms(self, t_ms: int) -> int | None:
        """When something of this may next be otherwise."""
        asked = (IN_SERVICE, *self._rule.only_while, *self._rule.not_while)
        found = (self.contexts.next_change_ms(condition, self.place, t_ms) for condition in asked)
        return min((ms for ms in found if ms is not None), default=None)
