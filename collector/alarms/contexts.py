"""What the lab is doing while readings come in: brewing, open, a tray out of service, watered an hour ago.

    parse_condition("watered within 1 h")           -> Condition, or ValueError that says what would be right
    contexts = Contexts(lab, entries, brews)
    contexts.holds(condition, place, t_ms)          -> bool
    contexts.next_change_ms(condition, place, t_ms) -> when that next becomes otherwise, as far as is known
    contexts.spans(condition, place, from_ms, until_ms)
    contexts.last(kind, place, t_ms), contexts.brew(place, t_ms), contexts.changes(place)

A diary entry or brew counts from when the collector took it up until it was struck; so at any t the answers are those
that were given then, whatever has been noted since.

An entry at a bin is about its trays too, and one at a tray about its bin: water over a bin wets every tray, and water
over one tray reaches the drain. Only out of service does not go upwards: a tray taken out leaves its bin in service.
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from enum import Enum
from itertools import pairwise

from collector.domain.diary import Brew, DiaryEntry, DiaryKind
from collector.domain.hours import Span, clipped, merged
from collector.domain.lab import Lab, PlaceKind
from collector.domain.problems import nearest
from collector.domain.units import parse_duration_ms

_BEFORE_ALL, _AFTER_ALL = -(2**62), 2**62


class Fact(Enum):
    """What a condition asks about."""

    BREW_RUNNING = "brew running"
    TRAY_IN_SERVICE = "tray in service"
    LAB_OPEN = "lab open"
    DONE_WITHIN = "done within"
    BREW_STARTED = "brew started within"


_TIMED = (Fact.DONE_WITHIN, Fact.BREW_STARTED)
_STATES = {fact.value: fact for fact in Fact if fact not in _TIMED}
_DONE = {
    "watered": DiaryKind.WATERED,
    "fed": DiaryKind.FED,
    "drained": DiaryKind.DRAINED,
    "harvested": DiaryKind.HARVESTED,
    "tray added": DiaryKind.TRAY_ADDED,
}
_WITHIN: dict[str, tuple[Fact, DiaryKind | None]] = {
    **{what: (Fact.DONE_WITHIN, kind) for what, kind in _DONE.items()},
    "brew started": (Fact.BREW_STARTED, None),
}
"""What may stand before 'within', and what that asks about."""
WITHIN = tuple(_WITHIN)
CONDITION_EXAMPLES = (*_STATES, "watered within 1 h", "fed within 2 d")


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """`within_ms` is for the facts with a time, `kind` for DONE_WITHIN; `text` is how it was written."""

    fact: Fact
    kind: DiaryKind | None = None
    within_ms: int = 0
    text: str = field(default="", compare=False)

    def __str__(self) -> str:
        return self.text


def parse_condition(text: object) -> Condition:
    """A condition as people write it in a rule."""
    if not isinstance(text, str) or not text.strip():
        raise ValueError(f"a condition is one line of text; {_all_known()}")
    written = " ".join(text.split())
    if written in _STATES:
        return Condition(fact=_STATES[written], text=written)
    what, within, time = written.partition(" within ")
    if within and what in _WITHIN:
        within_ms = parse_duration_ms(time)
        if within_ms == 0:
            raise ValueError(f"'{written}' never holds; give a time, like '{what} within 1 h'")
        fact, kind = _WITHIN[what]
        return Condition(fact=fact, kind=kind, within_ms=within_ms, text=written)
    raise ValueError(f"{written[:60]!r} is not a condition; {_right(written.casefold())}")


def _right(written: str) -> str:
    """What somebody who wrote this most likely meant."""
    state = nearest(written, _STATES)
    if state:
        return f"did you mean '{state}'?"
    what, within, time = written.partition(" within ")
    near = nearest(what, _WITHIN) or nearest(written.split(" ")[0], _WITHIN)
    if near is None:
        return _all_known()
    return f"did you mean '{near} within {time if within and _is_duration(time) else '1 h'}'?"


def _is_duration(text: str) -> bool:
    try:
        return parse_duration_ms(text) > 0
    except ValueError:
        return False


def _all_known() -> str:
    return f"known: {', '.join(_STATES)}, and {', '.join(_WITHIN)} with a time, like 'watered within 1 h'"


class Contexts:
    """All that was noted, ready to be asked. A value: never changed, made anew when something is noted."""

    def __init__(self, lab: Lab, entries: Iterable[DiaryEntry] = (), brews: Iterable[Brew] = ()) -> None:
        self._lab = lab
        self._entries = sorted(entries, key=lambda entry: (entry.t_ms, entry.id))
        self._brews = sorted(brews, key=lambda brew: (brew.started_ms, brew.id))
        self._known: dict[tuple[Condition, str], list[Span]] = {}

    def holds(self, condition: Condition, place: str, t_ms: int) -> bool:
        """Whether the condition holds at the place at that time."""
        if condition.fact is Fact.LAB_OPEN:
            return self._lab.hours is not None and self._lab.hours.holds(t_ms)
        spans = self._spans(condition, place)
        at = bisect_right(spans, t_ms, key=_start) - 1
        return at >= 0 and t_ms < spans[at][1]

    def next_change_ms(self, condition: Condition, place: str, t_ms: int) -> int | None:
        """The first moment after `t_ms` at which `holds` answers otherwise; None where nothing known changes it."""
        if condition.fact is Fact.LAB_OPEN:
            return None if self._lab.hours is None else self._lab.hours.next_change_ms(t_ms)
        spans = self._spans(condition, place)
        after = bisect_right(spans, t_ms, key=_start)
        if after and t_ms < spans[after - 1][1]:
            end = spans[after - 1][1]
            return end if end < _AFTER_ALL else None
        return spans[after][0] if after < len(spans) else None

    def spans(self, condition: Condition, place: str, from_ms: int, until_ms: int) -> list[Span]:
        """When it holds from `from_ms` on, before `until_ms`: [start, end) in order, apart, cut to these ends."""
        if condition.fact is Fact.LAB_OPEN:
            return [] if self._lab.hours is None else self._lab.hours.spans(from_ms, until_ms)
        return clipped(self._spans(condition, place), from_ms, until_ms)

    def last(self, kind: DiaryKind | str, place: str, t_ms: int) -> DiaryEntry | None:
        """The newest entry of the kind about the place, of those that counted then."""
        here = (e for e in reversed(self._entries) if e.kind == kind and _touches(e.place, place))
        return next((entry for entry in here if entry.counts_at(t_ms)), None)

    def brew(self, place: str, t_ms: int) -> Brew | None:
        """The newest brew of a brewer as it was known then, running or ended."""
        for brew in reversed(self._brews):
            known = brew.as_known(t_ms) if brew.place == place else None
            if known is not None:
                return known
        return None

    def changes(self, place: str) -> tuple[int, ...]:
        """When `last` and `brew` may begin to answer otherwise about the place, in order."""
        found = {ms for entry in self._entries if _touches(entry.place, place) for ms in _moments(entry)}
        for brew in self._brews:
            if brew.place == place:
                found |= {ms for ms in (brew.taken_ms, brew.ended_taken_ms, brew.struck_ms) if ms is not None}
        return tuple(sorted(found))

    def _spans(self, condition: Condition, place: str) -> list[Span]:
        """All stretches in which the condition holds at the place; made once and kept."""
        key = (condition, place)
        if key not in self._known:
            self._known[key] = merged(self._found(condition, place))
        return self._known[key]

    def _found(self, condition: Condition, place: str) -> Iterator[Span]:
        if condition.fact is Fact.BREW_RUNNING:
            yield from (_while(brew, _until(brew.ended_taken_ms)) for brew in self._at(place))
        elif condition.fact is Fact.BREW_STARTED:
            yield from (_while(brew, brew.started_ms + condition.within_ms) for brew in self._at(place))
        elif condition.fact is Fact.TRAY_IN_SERVICE:
            yield from self._in_service(place)
        else:
            for entry in self._entries:
                if entry.kind == condition.kind and _touches(entry.place, place):
                    yield entry.taken_ms, min(entry.t_ms + condition.within_ms, _until(entry.struck_ms))

    def _at(self, place: str) -> Iterator[Brew]:
        """At a brewer its own brews, elsewhere those of any."""
        known = self._lab.by_id.get(place)
        own = known is not None and known.kind is PlaceKind.BREWER
        return (brew for brew in self._brews if not own or brew.place == place)

    def _in_service(self, place: str) -> Iterator[Span]:
        """In service unless the newest entry about it that counts says otherwise."""
        kinds = (DiaryKind.OUT_OF_SERVICE, DiaryKind.IN_SERVICE)
        here = [e for e in self._entries if e.kind in kinds and (e.place == place or _is_in(place, e.place))]
        moments = [_BEFORE_ALL, *sorted({ms for entry in here for ms in _moments(entry)}), _AFTER_ALL]
        for start, end in pairwise(moments):
            newest = next((entry for entry in reversed(here) if entry.counts_at(start)), None)
            if newest is None or newest.kind is DiaryKind.IN_SERVICE:
                yield start, end


def _start(span: Span) -> int:
    return span[0]


def _while(brew: Brew, until_ms: int) -> Span:
    """From when it was known, until then or until it was struck."""
    return brew.taken_ms, min(until_ms, _until(brew.struck_ms))


def _until(ms: int | None) -> int:
    return _AFTER_ALL if ms is None else ms


def _moments(entry: DiaryEntry) -> tuple[int, ...]:
    """When it begins to count, and when it stops."""
    return (entry.taken_ms,) if entry.struck_ms is None else (entry.taken_ms, entry.struck_ms)


def _is_in(place: str, bin_: str) -> bool:
    return place.startswith(f"{bin_}/")


def _touches(place: str, other: str) -> bool:
    return place == other or _is_in(place, other) or _is_in(other, place)
