"""Whom an alarm concerns, and in which order they hear of it."""

from collections.abc import Iterable, Sequence

from collector.alarms.model import Priority, Rule
from collector.domain.lab import Lab, Person
from collector.telling.people import concerns


def hears(person: Person, priority: Priority, place: str, lab: Lab) -> bool:
    """Whether somebody hears of alarms of this priority there, of whichever turn."""
    return priority.value in person.priorities and concerns(person, place, lab)


def concerned(people: Iterable[Person], rule: Rule, place: str, lab: Lab) -> list[Person]:
    """Everybody who hears of such an alarm there, of whichever turn."""
    return [person for person in people if hears(person, rule.priority, place, lab)]


def first_turn(people: Sequence[Person]) -> list[Person]:
    """Those of the lowest turn there is, each address once."""
    lowest = min((person.turn for person in people), default=1)
    return by_address(person for person in people if person.turn == lowest)


def later_turns(people: Sequence[Person]) -> list[Person]:
    """Those who hear of it only where nobody has acknowledged by then."""
    lowest = min((person.turn for person in people), default=1)
    return [person for person in people if person.turn > lowest]


def by_address(people: Iterable[Person]) -> list[Person]:
    """Without those who would only hear the same at an address that hears it already."""
    taken: set[str] = set()
    found = []
    for person in people:
        ways = {way for way in (person.email, person.chat) if way}
        if not ways <= taken:
            found.append(person)
        taken |= ways
    return found
