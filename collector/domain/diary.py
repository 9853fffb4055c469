"""The diary: what people did at the bins and brewers, and the checks of what they say they did.

    new_entry(lab, number, taken_ms, ...)   -> DiaryEntry
    start_brew(lab, brews, ...)             -> Brew
    end_brew(lab, brews, ...)               -> Brew, ended
    strike_entry(...), strike_brew(...)     -> the same, struck out

Each raises ValueError that says in one line what would be right. Nothing is ever deleted: a slip is struck out and
stays readable. What counts for alarms counts from when the collector took it up, until it was struck, so that judging
the readings again later gives what was given then.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from collector.domain import words
from collector.domain.hours import local_text
from collector.domain.lab import Lab, Place, PlaceKind
from collector.domain.problems import nearest
from collector.domain.squeeze import IN_SHORT, feel_of
from collector.domain.squeeze import Feel as Feel
from collector.domain.units import parse_quantity

_HOUR_MS = 3_600_000
BREW_WINDOW_MS = (12 * _HOUR_MS, 36 * _HOUR_MS)
"""From when to when after its start a brew is ready. Sources disagree: 24-36 h, 12-48 h at the outside (a grower's tea
guide), 12-24 h (a growers' advice page), 2-3 days (Pennsylvania DEP); 24 h give or take 12 is what most share."""
USE_WITHIN_MS = (4 * _HOUR_MS, 8 * _HOUR_MS)
"""Use the tea within the first after the air has stopped, and not at all after the second. Sources say 4-6 h, 8 h, 24 h
and 72 h; the choice is common practice, no source."""
MAX_BY = 60
_OLDEST_MS = 366 * 24 * _HOUR_MS
"""Older than this is more likely a slip in the year than a late note."""


class DiaryKind(StrEnum):
    """What people do at the bins and note."""

    SQUEEZE = "squeeze"
    WATERED = "watered"
    FED = "fed"
    DRAINED = "drained"
    BLANKET = "blanket"
    TRAY_ADDED = "tray-added"
    HARVESTED = "harvested"
    OUT_OF_SERVICE = "out-of-service"
    IN_SERVICE = "in-service"
    TEA_USED = "tea-used"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Amount:
    dimension: str
    unit: str
    most: float
    """More than this is a slip of the unit or the decimal point at a school's bins."""
    example: str


def _litres(most: float, example: str) -> _Amount:
    return _Amount(dimension="volume", unit="L", most=most, example=example)


def _kilograms(most: float, example: str) -> _Amount:
    return _Amount(dimension="mass", unit="kg", most=most, example=example)


AMOUNTS: Mapping[DiaryKind, _Amount] = {
    DiaryKind.WATERED: _litres(50.0, "0.5 L"),
    DiaryKind.FED: _kilograms(20.0, "0.2 kg"),
    DiaryKind.DRAINED: _litres(50.0, "0.5 L"),
    DiaryKind.HARVESTED: _kilograms(100.0, "2 kg"),
    DiaryKind.TEA_USED: _litres(1_000.0, "10 L"),
}
_IN_BINS = (PlaceKind.TRAY, PlaceKind.BIN)
PLACES: Mapping[DiaryKind, tuple[PlaceKind, ...]] = {
    DiaryKind.SQUEEZE: _IN_BINS,
    DiaryKind.WATERED: (*_IN_BINS, PlaceKind.PLANTER),
    DiaryKind.FED: _IN_BINS,
    DiaryKind.DRAINED: (PlaceKind.BIN,),
    DiaryKind.BLANKET: _IN_BINS,
    DiaryKind.TRAY_ADDED: _IN_BINS,
    DiaryKind.HARVESTED: _IN_BINS,
    DiaryKind.OUT_OF_SERVICE: _IN_BINS,
    DiaryKind.IN_SERVICE: _IN_BINS,
    DiaryKind.TEA_USED: (PlaceKind.BREWER,),
    DiaryKind.NOTE: tuple(kind for kind in PlaceKind if kind is not PlaceKind.COLLECTOR),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DiaryEntry:
    """Something that was done. `t_ms` is when; `taken_ms` when the collector took it up, never before `t_ms`."""

    id: int
    t_ms: int
    taken_ms: int
    place: str
    kind: DiaryKind
    amount: float | None
    """Litres or kilograms, as the kind has it in AMOUNTS."""
    result: Feel | None
    by: str
    note: str = ""
    struck_ms: int | None = None
    struck_by: str = ""

    def counts_at(self, t_ms: int) -> bool:
        """Whether it was known then, and not yet struck."""
        return self.taken_ms <= t_ms and (self.struck_ms is None or t_ms < self.struck_ms)


@dataclass(frozen=True, slots=True, kw_only=True)
class Brew:
    """One brew in one brewer: from when the air goes on over compost and water until it is ended."""

    id: int
    place: str
    started_ms: int
    air_stopped_ms: int | None
    ended_ms: int | None
    taken_ms: int
    by: str
    note: str = ""
    ended_taken_ms: int | None = None
    """When the collector took up the end; until then it counted as running."""
    ended_by: str = ""
    struck_ms: int | None = None
    struck_by: str = ""

    @property
    def running(self) -> bool:
        """Whether nobody has ended it."""
        return self.ended_ms is None and self.struck_ms is None

    def as_known(self, t_ms: int) -> "Brew | None":
        """What was known of it then: None before it was taken up and once it was struck."""
        if t_ms < self.taken_ms or (self.struck_ms is not None and t_ms >= self.struck_ms):
            return None
        if self.ended_taken_ms is None or t_ms >= self.ended_taken_ms:
            return self
        return replace(self, air_stopped_ms=None, ended_ms=None, ended_taken_ms=None, ended_by="")


def new_entry(
    lab: Lab,
    number: int,
    taken_ms: int,
    *,
    t_ms: int,
    place: str,
    kind: str,
    amount: str = "",
    result: str = "",
    by: str,
    note: str = "",
) -> DiaryEntry:
    """An entry from what was said; empty texts are what was not said."""
    known = DiaryKind(words.choice(kind, "diary kind", tuple(DiaryKind)))
    found = place_of(lab, place)
    _fits_place(known, found, lab)
    _in_time(t_ms, taken_ms)
    said = note_of(note)
    if known is DiaryKind.NOTE and not said:
        raise ValueError("a note needs its text; give it with --note")
    return DiaryEntry(
        id=number,
        t_ms=t_ms,
        taken_ms=taken_ms,
        place=place,
        kind=known,
        amount=amount_of(known, amount),
        result=_feel(known, result),
        by=by_of(by),
        note=said,
    )


def place_of(lab: Lab, place: str) -> Place:
    """The place an entry may be about. Raises ValueError that says what would be right."""
    found = lab.by_id.get(place)
    if found is None:
        near = nearest(place, lab.by_id)
        raise ValueError(
            f"'{place}' is not a place of this lab; "
            + (f"did you mean '{near}'?" if near else f"known: {', '.join(lab.by_id)}")
        )
    return found


def _fits_place(kind: DiaryKind, place: Place, lab: Lab) -> None:
    if place.kind not in PLACES[kind]:
        kinds = " or ".join(f"a {place_kind.value}" for place_kind in PLACES[kind])
        there = [place.id for place in lab.places if place.kind in PLACES[kind]]
        raise ValueError(f"{kind} is noted at {kinds}, and {place.id} is a {place.kind.value}; {_known(there)}")
    if kind is DiaryKind.SQUEEZE and place.kind is PlaceKind.BIN:
        trays = [tray.id for tray in lab.places if tray.kind is PlaceKind.TRAY and tray.bin == place.bin]
        if trays:
            raise ValueError(f"a squeeze test is of one tray; {_known(trays)}")


def _known(places: Iterable[str]) -> str:
    return f"here: {', '.join(places) or 'there is none in lab.yaml'}"


def _in_time(t_ms: int, taken_ms: int) -> None:
    if t_ms > taken_ms:
        raise ValueError("the time is still to come; the diary holds what has been done")
    if t_ms < taken_ms - _OLDEST_MS:
        raise ValueError("the time is more than a year ago; is the year right?")


def amount_of(kind: DiaryKind, text: str) -> float | None:
    """'0.5 L' in the unit of the kind; None where nothing was said."""
    if not text:
        return None
    rule = AMOUNTS.get(kind)
    if rule is None:
        raise ValueError(f"{kind} has no amount; leave it out")
    value = parse_quantity(text, rule.dimension)
    if not (0 < value <= rule.most and math.isfinite(value)):
        raise ValueError(f"'{text}' is out of range for {kind}; more than 0 and at most {rule.most:g} {rule.unit}")
    return value


def _feel(kind: DiaryKind, text: str) -> Feel | None:
    if kind is not DiaryKind.SQUEEZE:
        if text:
            raise ValueError(f"{kind} has no result; only a squeeze test has one")
        return None
    if not text:
        raise ValueError(f"a squeeze test needs its result: {IN_SHORT}")
    return feel_of(text)


def by_of(text: str) -> str:
    """Who did it: a role or a group."""
    who = text.strip()
    if not who or len(who) > MAX_BY or not who.isprintable():
        raise ValueError(f"who did it is a role or a group in plain letters, {MAX_BY} at most, such as 'class 4b'")
    return who


def note_of(text: str) -> str:
    """A note of one line. Raises ValueError that says what would be right."""
    try:
        return words.one_line(text.strip())
    except ValueError as error:
        raise ValueError(f"the note {error}") from None


def strike_entry(entries: Mapping[int, DiaryEntry], number: int, taken_ms: int, by: str) -> DiaryEntry:
    """Strike an entry out."""
    who, entry = by_of(by), entries.get(number)
    if entry is None:
        raise ValueError(f"there is no diary entry {number}; 'traywarden diary list' shows their numbers")
    if entry.struck_ms is not None:
        raise ValueError(f"diary entry {number} is struck already, by {entry.struck_by}")
    return replace(entry, struck_ms=taken_ms, struck_by=who)


def start_brew(
    lab: Lab,
    brews: Iterable[Brew],
    number: int,
    taken_ms: int,
    *,
    place: str,
    started_ms: int,
    by: str,
    note: str = "",
) -> Brew:
    """A new brew, in a brewer in which none runs and after the one before it."""
    _is_brewer(lab, place)
    _in_time(started_ms, taken_ms)
    before = last_brew(brews, place)
    if before is not None and before.running:
        since = local_text(before.started_ms, lab.time_zone)
        raise ValueError(f"a brew runs in {place} since {since}; end it first: traywarden brew end --at {place}")
    if before is not None and before.ended_ms is not None and started_ms < before.ended_ms:
        raise ValueError(
            f"the start, {local_text(started_ms, lab.time_zone)}, is before the end of the last brew in {place}, "
            f"{local_text(before.ended_ms, lab.time_zone)}"
        )
    return Brew(
        id=number,
        place=place,
        started_ms=started_ms,
        air_stopped_ms=None,
        ended_ms=None,
        taken_ms=taken_ms,
        by=by_of(by),
        note=note_of(note),
    )


def end_brew(
    lab: Lab,
    brews: Iterable[Brew],
    taken_ms: int,
    *,
    place: str,
    ended_ms: int,
    air_stopped_ms: int | None,
    by: str,
) -> Brew:
    """The running brew, ended. Where nobody said or saw when the air stopped, it stopped at the end."""
    _is_brewer(lab, place)
    _in_time(ended_ms, taken_ms)
    brew = last_brew(brews, place)
    if brew is None or not brew.running:
        raise ValueError(f"no brew runs in {place}; start one with: traywarden brew start --at {place}")
    began, end = local_text(brew.started_ms, lab.time_zone), local_text(ended_ms, lab.time_zone)
    if ended_ms <= brew.started_ms:
        raise ValueError(f"the end, {end}, is not after the start, {began}")
    stopped_ms = ended_ms if air_stopped_ms is None else air_stopped_ms
    if not brew.started_ms <= stopped_ms <= ended_ms:
        stopped = local_text(stopped_ms, lab.time_zone)
        raise ValueError(f"the air cannot have stopped at {stopped}; the brew began at {began} and ended at {end}")
    return replace(brew, air_stopped_ms=stopped_ms, ended_ms=ended_ms, ended_taken_ms=taken_ms, ended_by=by_of(by))


def strike_brew(brews: Mapping[int, Brew], number: int, taken_ms: int, by: str) -> Brew:
    """Strike a brew out, as if it had not been started; a brew ended by mistake is struck and started again."""
    who, brew = by_of(by), brews.get(number)
    if brew is None:
        raise ValueError(f"there is no brew {number}; 'traywarden brew show' shows their numbers")
    if brew.struck_ms is not None:
        raise ValueError(f"brew {number} is struck already, by {brew.struck_by}")
    return replace(brew, struck_ms=taken_ms, struck_by=who)


def last_brew(brews: Iterable[Brew], place: str) -> Brew | None:
    """The newest brew of a brewer that is not struck."""
    here = [brew for brew in brews if brew.place == place and brew.struck_ms is None]
    return max(here, key=lambda brew: (brew.started_ms, brew.id), default=None)


def _is_brewer(lab: Lab, place: str) -> None:
    found = place_of(lab, place)
    if found.kind is not PlaceKind.BREWER:
        brewers = [place.id for place in lab.places if place.kind is PlaceKind.BREWER]
        raise ValueError(f"tea is brewed in a brewer, and {place} is a {found.kind.value}; {_known(brewers)}")
