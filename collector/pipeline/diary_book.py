"""The diary in memory: what was noted so far, requests to note more, and the contexts that alarms heed.

    book = book_of(journal, lab)                  what is stored (a Reader does as well)
    taken = book.take(kind, body, at_ms, now_ms)  one request: what to store and what to answer
    book.contexts                                 as of the last one taken

The collector takes requests from the journal; the command line takes the same ones in a book of its own first, so that
a slip is told at once, whether or not a collector runs. Bodies of the requests, all values text but the times (ms UTC):

    diary-add      kind, place, by, and where they are said t_ms, amount, result, note
    diary-strike   number, by
    brew-start     place, by, and where they are said t_ms, note
    brew-end       place, by, and where they are said t_ms, air_stopped_ms
    brew-strike    number, by

Where no time is said it is that of the request.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from collector.alarms.contexts import Contexts
from collector.domain import diary
from collector.domain.diary import AMOUNTS, Brew, DiaryEntry
from collector.domain.hours import local_text
from collector.domain.lab import Lab
from collector.store.reading import Request

NOTED = "noted"
"""Answers to what was taken begin with this; all others are refusals."""


class Stored(Protocol):
    """Where a book is read from: the journal, or a reader of it."""

    def diary(self) -> list[DiaryEntry]:
        """Every entry."""
        ...

    def brews(self) -> list[Brew]:
        """Every brew."""
        ...


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of a request: what to store, if anything, and the answer."""

    answer: str
    entry: DiaryEntry | None = None
    brew: Brew | None = None

    @property
    def refused(self) -> bool:
        return self.entry is None and self.brew is None


class DiaryBook:
    """See the module. Used by one thread."""

    def __init__(self, lab: Lab, entries: Iterable[DiaryEntry] = (), brews: Iterable[Brew] = ()) -> None:
        self._lab = lab
        self._entries = {entry.id: entry for entry in entries}
        self._brews = {brew.id: brew for brew in brews}
        self._takers: Mapping[str, Callable[[_Body, int, int], Taken]] = {
            "diary-add": self._add,
            "diary-strike": self._strike_entry,
            "brew-start": self._start,
            "brew-end": self._end,
            "brew-strike": self._strike_brew,
        }
        self.contexts = Contexts(lab, entries, brews)

    def knows(self, kind: str) -> bool:
        """Whether requests of this kind are for the book."""
        return kind in self._takers

    def last_brew(self, place: str) -> Brew | None:
        """The newest brew of a brewer that is not struck."""
        return diary.last_brew(self._brews.values(), place)

    def take(self, kind: str, body: Mapping[str, Any], at_ms: int, now_ms: int) -> Taken:
        """Take up a request written at `at_ms`; what is wrong with it is its answer, and changes nothing."""
        try:
            taken = self._takers[kind](_Body(body), min(at_ms, now_ms), now_ms)
        except ValueError as error:
            return Taken(str(error))
        if taken.entry is not None:
            self._entries[taken.entry.id] = taken.entry
        if taken.brew is not None:
            self._brews[taken.brew.id] = taken.brew
        self.contexts = Contexts(self._lab, self._entries.values(), self._brews.values())
        return taken

    def take_waiting(self, waiting: Iterable[Request], now_ms: int) -> None:
        """Take what a collector has not taken up yet."""
        for request in waiting:
            if self.knows(request.kind):
                self.take(request.kind, request.body, request.at_ms, now_ms)

    def _add(self, body: "_Body", at_ms: int, now_ms: int) -> Taken:
        entry = diary.new_entry(
            self._lab,
            max(self._entries, default=0) + 1,
            now_ms,
            t_ms=body.time("t_ms", at_ms),
            place=body.text("place"),
            kind=body.text("kind"),
            amount=body.text("amount"),
            result=body.text("result"),
            by=body.text("by"),
            note=body.text("note"),
        )
        return Taken(f"{NOTED} as {entry.id}: {entry_words(entry)} at {self._at(entry.t_ms)}", entry=entry)

    def _strike_entry(self, body: "_Body", _at_ms: int, now_ms: int) -> Taken:
        entry = diary.strike_entry(self._entries, body.number(), now_ms, body.text("by"))
        return Taken(f"{NOTED}: {entry.id} is struck out: {entry_words(entry)} at {self._at(entry.t_ms)}", entry=entry)

    def _start(self, body: "_Body", at_ms: int, now_ms: int) -> Taken:
        brew = diary.start_brew(
            self._lab,
            self._brews.values(),
            max(self._brews, default=0) + 1,
            now_ms,
            place=body.text("place"),
            started_ms=body.time("t_ms", at_ms),
            by=body.text("by"),
            note=body.text("note"),
        )
        first, last = (self._at(brew.started_ms + after) for after in diary.BREW_WINDOW_MS)
        return Taken(f"{NOTED} as brew {brew.id}: {brew.place}; ready from {first}, over at {last}", brew=brew)

    def _end(self, body: "_Body", at_ms: int, now_ms: int) -> Taken:
        brew = diary.end_brew(
            self._lab,
            self._brews.values(),
            now_ms,
            place=body.text("place"),
            ended_ms=body.time("t_ms", at_ms),
            air_stopped_ms=body.time_or_none("air_stopped_ms"),
            by=body.text("by"),
        )
        stopped_ms = brew.air_stopped_ms or 0
        use_by, last = (self._at(stopped_ms + within) for within in diary.USE_WITHIN_MS)
        return Taken(
            f"{NOTED}: brew {brew.id} in {brew.place} ended; air stopped at {self._at(stopped_ms)}, "
            f"use the tea by {use_by}, not after {last}",
            brew=brew,
        )

    def _strike_brew(self, body: "_Body", _at_ms: int, now_ms: int) -> Taken:
        brew = diary.strike_brew(self._brews, body.number(), now_ms, body.text("by"))
        return Taken(f"{NOTED}: brew {brew.id} in {brew.place} is struck out", brew=brew)

    def _at(self, t_ms: int) -> str:
        return local_text(t_ms, self._lab.time_zone)


class _Body:
    """The body of a request, which anybody may have written."""

    def __init__(self, said: Mapping[str, Any]) -> None:
        self._said = said

    def text(self, key: str) -> str:
        value = self._said.get(key, "")
        if not isinstance(value, str):
            raise ValueError(f"'{key}' of the request is not text")
        return value

    def time(self, key: str, default: int) -> int:
        value = self.time_or_none(key)
        return default if value is None else value

    def time_or_none(self, key: str) -> int | None:
        value = self._said.get(key)
        if value is not None and (isinstance(value, bool) or not isinstance(value, int) or abs(value) >= 2**53):
            raise ValueError(f"'{key}' of the request is not a time in ms")
        return value

    def number(self) -> int:
        value = self._said.get("number")
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValueError("'number' of the request is not a number")
        return value


def book_of(stored: Stored, lab: Lab) -> DiaryBook:
    """The book as the journal has it."""
    return DiaryBook(lab, stored.diary(), stored.brews())


def contexts_of(stored: Stored, lab: Lab) -> Contexts:
    """What alarms can heed, as the journal has it."""
    return book_of(stored, lab).contexts


def entry_words(entry: DiaryEntry) -> str:
    """'watered juniper/top, 0.5 L'."""
    return ", ".join(filter(None, (f"{entry.kind} {entry.place}", amount_words(entry), entry.result)))


def amount_words(entry: DiaryEntry) -> str:
    if entry.amount is None:
        return ""
    return f"{entry.amount:.3g} {AMOUNTS[entry.kind].unit}"
