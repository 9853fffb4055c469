"""A worse alarm of the same trouble at the same place speaks for the lesser ones: a pump that stands still for the
oxygen that falls because of it, a tray that is too hot for the same tray being warm.

Which gives way to which, and for how long after the other's end, stands in the rules (`gives_way_to`, `gives_way_for`).
Nobody is left unwarned by it: only who hears of the worse one is spared the lesser, and only while the worse one is no
less urgent.
"""

from collections.abc import Iterable, Sequence

from collector.alarms.model import Event, Rule, Transition
from collector.alarms.urgency import gives_way
from collector.domain.lab import Lab, Person
from collector.telling.desk_case import Case
from collector.telling.desk_people import concerned


def speaking_for(rule: Rule, place: str, stands: Iterable[tuple[Rule, str]]) -> list[Rule]:
    """The rules among those that stand, each with its place, that speak for `rule` at `place`."""
    return [other for other, where in stands if where == place and gives_way(rule, other)]


class Inside:
    """Of one lab. What ended lately is remembered, since what it spoke for needs a while to follow."""

    def __init__(self, lab: Lab, people: Sequence[Person]) -> None:
        self._lab, self._people = lab, people
        self._over: dict[tuple[str, str], tuple[Rule, int]] = {}

    def is_over(self, rule: Rule, place: str, t_ms: int) -> None:
        """An alarm stands no longer from then on."""
        self._over[rule.name, place] = rule, t_ms

    def was_told(self, change: Transition, rule: Rule, place: str) -> None:
        """The same, as a journal tells it after a start."""
        if not change.annunciates and change.event is not Event.LATCHED:
            self.is_over(rule, place, change.t_ms)

    def spared(self, case: Case, cases: Iterable[Case], now_ms: int) -> frozenset[str]:
        """The roles that need not hear of `case` now, because a worse one of `cases` tells them what is to be done."""
        if not case.rule.gives_way_to:
            return frozenset()
        place = case.series.place
        return frozenset(
            person.role
            for worse in (*self._standing(case, cases), *self._lately(case.rule, place, now_ms))
            for person in concerned(self._people, worse, place, self._lab)
        )

    @staticmethod
    def _standing(case: Case, cases: Iterable[Case]) -> list[Rule]:
        stands = ((other.rule, other.series.place) for other in cases if other.standing)
        return speaking_for(case.rule, case.series.place, stands)

    def _lately(self, rule: Rule, place: str, now_ms: int) -> list[Rule]:
        found = (self._over.get((name, place)) for name in rule.gives_way_to)
        return [
            worse
            for worse, t_ms in filter(None, found)
            if t_ms <= now_ms < t_ms + rule.gives_way_for_ms and gives_way(rule, worse)
        ]
