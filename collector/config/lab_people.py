"""The people of lab.yaml: whether each can be reached and is in time, and whether somebody hears of everything."""

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from collector.config.lab_models import PRIORITIES
from collector.config.yaml.text import KeyPath, Marked
from collector.domain.lab import Lab, Person, Place, PlaceKind
from collector.domain.patterns import fits
from collector.domain.problems import Problem, nearest

_WAYS = ("email", "chat")


def people_problems(
    marked: Marked, people: Mapping[str, Any], bad: frozenset[KeyPath], fault: Callable[[str], str]
) -> Iterator[Problem]:
    """`people` with None for what has a problem already, `fault`: what is wrong with a place pattern, or nothing."""
    for role, person in people.items():
        path = ("people", role)
        if person is None:
            continue
        if not any(person.get(way) is not None for way in _WAYS) and not _way_lost(path, bad):
            yield marked.problem(path, "has no way to be told; give 'email', 'chat' or both", at_key=True)
        for index, pattern in enumerate(person.get("where") or ()):
            wrong = fault(pattern) if pattern is not None else ""
            if wrong:
                yield marked.problem((*path, "where", index), wrong)
    yield from _turns(marked, people, bad)


def _way_lost(path: KeyPath, bad: frozenset[KeyPath]) -> bool:
    """Whether a way stands there that has a problem of its own, or under a key that was meant for one."""
    return any(broken[:2] == path and nearest(str(broken[2]), _WAYS) for broken in bad if len(broken) == 3)


def _turns(marked: Marked, people: Mapping[str, Any], bad: frozenset[KeyPath]) -> Iterator[Problem]:
    """Turns follow one another: whoever has turn 3 would wait for a turn 2 that never comes."""
    if not people or any(path[:1] == ("people",) and path[2:3] in ((), ("turn",)) for path in bad):
        return
    turns = {role: person.get("turn", 1) for role, person in people.items()}
    for role, turn in turns.items():
        missing = next((before for before in range(1, turn) if before not in turns.values()), None)
        if missing is not None:
            message = f"turn {turn} follows turn {missing}, but nobody has turn {missing}"
            yield marked.problem(("people", role, "turn"), message)
            return


def people_warnings(lab: Lab) -> Iterator[tuple[KeyPath, str]]:
    """What will run but is hardly meant."""
    if not lab.people:
        yield ("people",), "there is nobody to tell; alarms will show on status but no message will go out"
        return
    for priority in PRIORITIES:
        if not any(priority in person.priorities for person in lab.people):
            yield ("people",), f"nobody is told of alarms of {priority} priority"
    low = [person for person in lab.people if "low" in person.priorities]
    if low and not any(person.digest for person in low):
        yield ("people",), "alarms of low priority stand in the digest alone, and nobody who hears of them gets it"
    yield from _unheard(lab)
    yield from _same_address(lab, "email")
    yield from _same_address(lab, "chat")


def _unheard(lab: Lab) -> Iterator[tuple[KeyPath, str]]:
    if any(not person.where for person in lab.people):
        return
    yield ("people",), "all have 'where', so nobody is told of the broker and of the collector itself"
    alone = [place.id for place in lab.places if not any(_hears(person, place) for person in lab.people)]
    if alone:
        yield ("people",), f"nobody is told of alarms at {', '.join(alone)}"


def _hears(person: Person, place: Place) -> bool:
    """Whether a place is one of the person's; a bin covers its trays."""
    if place.kind is PlaceKind.COLLECTOR:
        return True
    return any(fits(pattern, place.id) or (place.bin != "" and fits(pattern, place.bin)) for pattern in person.where)


def _same_address(lab: Lab, way: str) -> Iterator[tuple[KeyPath, str]]:
    first: dict[str, str] = {}
    for person in lab.people:
        address: str = getattr(person, way).casefold()
        if address in first:
            yield ("people", person.role, way), f"is also the address of {first[address]}, so messages come twice"
        if address:
            first.setdefault(address, person.role)
