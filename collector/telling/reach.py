"""Who would be told of a high alarm at each place right now, by which ways. One question for `checkup`, `watch`,
`status` and the weekly report.

    told_of_high    place -> who is told at once
    unwarned        the places where nobody is
    reach_lines     the same for people, places told alike together
"""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from collector.alarms.model import Priority
from collector.domain.lab import Lab, Person, PlaceKind
from collector.domain.own_series import COLLECTOR
from collector.telling.desk_people import first_turn, hears


@dataclass(frozen=True, slots=True)
class Hearer:
    """Somebody who is told, by at least one way that reaches a person."""

    role: str
    ways: tuple[str, ...]


Reach = Mapping[str, tuple[Hearer, ...]]
"""By place id, the collector itself as the last."""


def told_of_high(lab: Lab, people: Sequence[Person], ways: Callable[[Person], tuple[str, ...]]) -> Reach:
    """Those of the first turn, as the desk picks them. `ways`: those by which a message comes to the person."""

    def at(place: str) -> tuple[Hearer, ...]:
        concerned = [person for person in people if hears(person, Priority.HIGH, place, lab)]
        found = (Hearer(person.role, ways(person)) for person in first_turn(concerned))
        return tuple(hearer for hearer in found if hearer.ways)

    return {place: at(place) for place in (*(place.id for place in lab.places), COLLECTOR)}


def unwarned(reach: Reach) -> tuple[str, ...]:
    """Places of which nobody would hear."""
    return tuple(place for place, told in reach.items() if not told)


def unwarned_words(reach: Reach, lab: Lab) -> str:
    """'nobody would be told of a high alarm now, room'; empty where everywhere somebody is."""
    alone = unwarned(reach)
    says = f"nobody would be told of a high alarm now, {_places(alone, reach, lab)}"
    return f"{says}; see 'people' in lab.yaml and deploy/ALERTS.md" if alone else ""


def reach_lines(reach: Reach, lab: Lab | None) -> tuple[str, ...]:
    """'anywhere: teacher by email', or a line for each group of places that are told alike."""
    groups: dict[tuple[Hearer, ...], list[str]] = {}
    for place, told in reach.items():
        groups.setdefault(told, []).append(place)
    return tuple(f"{_places(places, reach, lab)}: {_told(told)}" for told, places in groups.items())


def reach_text(reach: Reach) -> str:
    """To be kept; ASCII, whatever the names."""
    return json.dumps({place: [[hearer.role, *hearer.ways] for hearer in told] for place, told in reach.items()})


def reach_of(text: str) -> Reach:
    """What `reach_text` wrote; empty: nothing is known."""
    return {
        place: tuple(Hearer(role, tuple(ways)) for role, *ways in told)
        for place, told in json.loads(text or "{}").items()
    }


def _places(places: Sequence[str], reach: Reach, lab: Lab | None) -> str:
    """'anywhere' for all there are; a bin stands for its trays where all of them are meant."""
    if len(places) == len(reach):
        return "anywhere"
    shown = (place for place in places if lab is None or not _inside(place, places, lab))
    return ", ".join("the collector itself" if place == COLLECTOR else place for place in shown)


def _told(told: Iterable[Hearer]) -> str:
    return ", ".join(f"{hearer.role} by {' and '.join(hearer.ways)}" for hearer in told) or "nobody"


def _inside(place: str, places: Sequence[str], lab: Lab) -> bool:
    known = lab.by_id.get(place)
    if known is None or known.kind is not PlaceKind.TRAY or known.bin not in places:
        return False
    return all(tray.id in places for tray in lab.places if tray.kind is PlaceKind.TRAY and tray.bin == known.bin)
