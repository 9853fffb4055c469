"""The diary in memory: what was noted so far, requests to note more, and the contexts that alarms heed.

    book = book_of(journal, lab)                  what is stored (a Reader does as well)
    taken = book.take(request, at_ms, now_ms)     one request: what to store and what to answer
    book.contexts                                 as of the last one taken

The collector takes requests from the journal; the command line takes the same ones in a book of its own first, so that
a slip is told at once, whether or not a collector runs. Where no time is said it is that of the request.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

from collector.alarms.contexts import Contexts
from collector.domain import diary
from collector.domain.diary import AMOUNTS, Brew, DiaryEntry
from collector.domain.hours import local_text
from collector.domain.lab import Lab
from collector.domain.units import show_mass, show_volume
from collector.store.requests import (
    BookRequest,
    BrewEnd,
    BrewStart,
    BrewStrike,
    DiaryAdd,
    DiaryStrike,
    Reply,
    RequestRow,
)


class KeptDiary(Protocol):
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

    reply: Reply
    entry: DiaryEntry | None = None
    brew: Brew | None = None


class DiaryBook:
    """See the module. Used by one thread."""

    def __init__(self, lab: Lab, entries: Iterable[DiaryEntry] = (), brews: Iterable[Brew] = ()) -> None:
        self._lab = lab
        self._entries = {entry.id: entry for entry in entries}
        self._brews = {brew.id: brew for brew in brews}
        self.contexts = Contexts(lab, entries, brews)

    def entries(self) -> list[DiaryEntry]:
        """Every entry, struck ones too."""
        return list(self._entries.values())

    def last_brew(self, place: str) -> Brew | None:
        """The newest brew of a brewer that is not struck."""
        return diary.last_brew(self._brews.values(), place)

    def take(self, request: BookRequest, at_ms: int, now_ms: int) -> Taken:
        """Take up a request left at `at_ms`; what is wrong with it is the reply, and changes nothing."""
        try:
            taken = self._taken(request, min(at_ms, now_ms), now_ms)
        except ValueError as error:
            return Taken(Reply(False, str(error)))
        if taken.entry is not None:
            self._entries[taken.entry.id] = taken.entry
        if taken.brew is not None:
            self._brews[taken.brew.id] = taken.brew
        self.contexts = Contexts(self._lab, self._entries.values(), self._brews.values())
        return taken

    def take_waiting(self, waiting: Iterable[RequestRow], now_ms: int) -> None:
        """Take what a collector has not taken up yet."""
        for row in waiting:
            if isinstance(row.request, BookRequest):
                self.take(row.request, row.at_ms, now_ms)

    def _taken(self, request: BookRequest, at_ms: int, now_ms: int) -> Taken:
        match request:
            case DiaryAdd():
                return self._add(request, at_ms, now_ms)
            case DiaryStrike():
                return self._strike_entry(request, now_ms)
            case BrewStart():
                return self._start(request, at_ms, now_ms)
            case BrewEnd():
                return self._end(request, at_ms, now_ms)
            case BrewStrike():
                return self._strike_brew(request, now_ms)

    def _add(self, asked: DiaryAdd, at_ms: int, now_ms: int) -> Taken:
        entry = diary.new_entry(
            self._lab,
            max(self._entries, default=0) + 1,
            now_ms,
            t_ms=at_ms if asked.t_ms is None else asked.t_ms,
            place=asked.place,
            kind=asked.kind,
            amount=asked.amount,
            result=asked.result,
            by=asked.by,
            note=asked.note,
        )
        words = f"noted as {entry.id}: {entry_words(entry)} at {self._at(entry.t_ms)}"
        return Taken(Reply(True, words), entry=entry)

    def _strike_entry(self, asked: DiaryStrike, now_ms: int) -> Taken:
        entry = diary.strike_entry(self._entries, asked.number, now_ms, asked.by)
        words = f"noted: {entry.id} is struck out: {entry_words(entry)} at {self._at(entry.t_ms)}"
        return Taken(Reply(True, words), entry=entry)

    def _start(self, asked: BrewStart, at_ms: int, now_ms: int) -> Taken:
        brew = diary.start_brew(
            self._lab,
            self._brews.values(),
            max(self._brews, default=0) + 1,
            now_ms,
            place=asked.place,
            started_ms=at_ms if asked.t_ms is None else asked.t_ms,
            by=asked.by,
            note=asked.note,
        )
        first, last = (self._at(brew.started_ms + after) for after in diary.BREW_WINDOW_MS)
        words = f"noted as brew {brew.id}: {brew.place}; ready from {first}, over at {last}"
        return Taken(Reply(True, words), brew=brew)

    def _end(self, asked: BrewEnd, at_ms: int, now_ms: int) -> Taken:
        brew = diary.end_brew(
            self._lab,
            self._brews.values(),
            now_ms,
            place=asked.place,
            ended_ms=at_ms if asked.t_ms is None else asked.t_ms,
            air_stopped_ms=asked.air_stopped_ms,
            by=asked.by,
        )
        stopped_ms = brew.air_stopped_ms or 0
        use_by, last = (self._at(stopped_ms + within) for within in diary.USE_WITHIN_MS)
        ended = f"brew {brew.id} in {brew.place} ended; air stopped at {self._at(stopped_ms)}"
        return Taken(Reply(True, f"noted: {ended}, use the tea by {use_by}, not after {last}"), brew=brew)

    def _strike_brew(self, asked: BrewStrike, now_ms: int) -> Taken:
        brew = diary.strike_brew(self._brews, asked.number, now_ms, asked.by)
        return Taken(Reply(True, f"noted: brew {brew.id} in {brew.place} is struck out"), brew=brew)

    def _at(self, t_ms: int) -> str:
        return local_text(t_ms, self._lab.time_zone)


def book_of(stored: KeptDiary, lab: Lab) -> DiaryBook:
    """The book as the journal has it."""
    return DiaryBook(lab, stored.diary(), stored.brews())


def contexts_of(stored: KeptDiary, lab: Lab) -> Contexts:
    """What alarms can heed, as the journal has it."""
    return book_of(stored, lab).contexts


def entry_words(entry: DiaryEntry) -> str:
    """'watered juniper/top, 0.5 L'."""
    return ", ".join(filter(None, (f"{entry.kind} {entry.place}", amount_words(entry), entry.result)))


def amount_words(entry: DiaryEntry, us: bool = False) -> str:
    """'0.25 L', or '8 fl oz' where the lab says US units; empty where there is none."""
    if entry.amount is None:
        return ""
    kind = AMOUNTS[entry.kind]
    if us:
        return (show_volume if kind.dimension == "volume" else show_mass)(entry.amount, us)
    return f"{entry.amount:.3g} {kind.unit}"
