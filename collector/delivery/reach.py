"""Who would be told of a high alarm at each place right now, by which ways. One question for `checkup`, `watch`,
`status` and the weekly report.

    told_of_high    place -> who is told at once, of the lab and the settings as they are
    unwarned        the places where nobody is
    reach_lines     the same for people, places told alike together
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from collector.alarms.model import Priority
from collector.delivery.addressing import addressees_of, everyone
from collector.delivery.chat import chat_names
from collector.delivery.port import Way
from collector.delivery.servers import ChatAddresses, MailServer
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


def told_of_high(lab: Lab, mail: MailServer | None, chat: ChatAddresses) -> Reach:
    """Those of the first turn, as the desk picks them. A file in the outbox folder tells nobody, and a chat name
    without an address neither; whether a server answers is for others to try."""
    people, known = everyone(lab, chat), frozenset(chat_names(chat))

    def ways(person: Person) -> tuple[str, ...]:
        reaching = (way for way in addressees_of(person, mail) if way.channel == Way.EMAIL or way.recipient in known)
        return tuple(str(way.channel) for way in reaching)

    def at(place: str) -> tuple[Hearer, ...]:
        concerned = [one for one in people if hears(one, Priority.HIGH, place, lab)]
        found = (Hearer(one.role, ways(one)) for one in first_turn(concerned))
        return tuple(one for one in found if one.ways)

    return {place: at(place) for place in (*(one.id for one in lab.places), COLLECTOR)}


def unwarned(reach: Reach) -> tuple[str, ...]:
    """Places of which nobody would hear."""
    return tuple(place for place, told in reach.items() if not told)


def places_words(places: Sequence[str], reach: Reach, lab: Lab) -> str:
    """'anywhere' for all there are; a bin stands for its trays where all of them are meant."""
    if len(places) == len(reach):
        return "anywhere"
    shown = (one for one in places if not _inside(one, places, lab))
    return ", ".join("the collector itself" if one == COLLECTOR else one for one in shown)


def reach_lines(reach: Reach, lab: Lab) -> tuple[str, ...]:
    """'anywhere: teacher by email', or a line for each group of places that are told alike."""
    groups: dict[tuple[Hearer, ...], list[str]] = {}
    for place, told in reach.items():
        groups.setdefault(told, []).append(place)
    return tuple(f"{places_words(places, reach, lab)}: {_told(told)}" for told, places in groups.items())


def _told(told: Iterable[Hearer]) -> str:
    return ", ".join(f"{one.role} by {' and '.join(one.ways)}" for one in told) or "nobody"


def _inside(place: str, places: Sequence[str], lab: Lab) -> bool:
    known = lab.by_id.get(place)
    if known is None or known.kind is not PlaceKind.TRAY or known.bin not in places:
        return False
    trays = (one.id for one in lab.places if one.kind is PlaceKind.TRAY and one.bin == known.bin)
    return all(tray in places for tray in trays)
