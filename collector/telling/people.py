"""Whom a place concerns."""

from collector.alarms.places import fits
from collector.domain.lab import Lab, Person


def concerns(person: Person, place: str, lab: Lab) -> bool:
    """Whether a person hears of a place. Who named no places hears of all; a bin named covers its trays; what is about
    the collector itself and its broker is for those who hear of all."""
    if not person.where:
        return True
    known = lab.by_id.get(place)
    if known is None:
        return False
    return any(fits(pattern, place) or (known.bin != "" and fits(pattern, known.bin)) for pattern in person.where)
