"""An outbox in memory, and the journal's own with messages put into it: the sender is tested against both."""

import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from collector.delivery.port import OutboxRow
from collector.domain.units import MS
from collector.store.batch import Batch, NewMessage
from collector.store.journal import Journal
from collector.store.outbox import OutboxStore
from tests.letters.examples import Letter

_ORDER = {"high": 0, "medium": 1, "low": 2}


@dataclass(frozen=True, slots=True)
class Standing:
    """Where one message stands."""

    state: str
    next_ms: int
    error: str


class FilledOutbox(Protocol):
    """An outbox with the means to fill it and to look into it."""

    def put(self, *letters: Letter) -> None:
        """Add messages as the collector does: committed, waiting, due at once."""
        ...

    def standing(self, key: str) -> Standing: ...
    def reopened(self) -> "FilledOutbox":
        """What a new process finds after this one died."""
        ...

    def close(self) -> None: ...

    def take_next(self, now_ms: int, chat: bool | None = None, /) -> OutboxRow | None: ...
    def next_due_ms(self, chat: bool | None = None, /) -> int | None: ...
    def mark_sending(self, number: int, /) -> None: ...
    def mark_sent(self, number: int, now_ms: int, /) -> None: ...
    def mark_waiting(self, number: int, next_ms: int, error: str, others: bool = False, /) -> None: ...
    def mark_failed(self, number: int, now_ms: int, error: str, /) -> None: ...
    def mark_unconfirmed(self, number: int, now_ms: int, error: str, /) -> None: ...


@dataclass
class MemoryOutbox:
    """The contract of the outbox in a few lines. `full` makes every mark raise, as a full disk does."""

    rows: dict[int, Letter] = field(default_factory=dict)
    standings: dict[int, Standing] = field(default_factory=dict)
    full: bool = False
    marks: list[str] = field(default_factory=list)
    """Every mark in order, as 'sending 1'."""
    on_mark: Callable[[str], None] = lambda _mark: None

    def put(self, *letters: Letter) -> None:
        for letter in letters:
            number = len(self.rows) + 1
            self.rows[number] = replace(letter, id=number)
            self.standings[number] = Standing("waiting", letter.created_ms, "")

    def standing(self, key: str) -> Standing:
        return next(self.standings[number] for number, row in self.rows.items() if row.key == key)

    def reopened(self) -> "MemoryOutbox":
        states = {
            number: replace(standing, state="unconfirmed") if standing.state == "sending" else standing
            for number, standing in self.standings.items()
        }
        return MemoryOutbox(dict(self.rows), states)

    def close(self) -> None:
        """Nothing to close."""

    def take_next(self, now_ms: int, chat: bool | None = None, /) -> Letter | None:
        due = [row for n, row in self.rows.items() if self._waits(n, chat) and self._is_time(n, now_ms)]
        return min(due, key=lambda row: (_ORDER[row.priority], row.created_ms, row.id), default=None)

    def next_due_ms(self, chat: bool | None = None, /) -> int | None:
        return min((self.standings[n].next_ms for n in self.rows if self._waits(n, chat)), default=None)

    def _is_time(self, number: int, now_ms: int) -> bool:
        return not now_ms < self.standings[number].next_ms <= now_ms + 2 * MS["h"]

    def _waits(self, number: int, chat: bool | None) -> bool:
        mine = chat is None or (self.rows[number].channel == "chat") == chat
        return mine and self.standings[number].state == "waiting"

    def mark_sending(self, number: int, /) -> None:
        self._mark(number, "sending")
        self.rows[number] = replace(self.rows[number], attempts=self.rows[number].attempts + 1)

    def mark_sent(self, number: int, now_ms: int, /) -> None:
        self._mark(number, "sent")

    def mark_waiting(self, number: int, next_ms: int, error: str, others: bool = False, /) -> None:
        self._mark(number, "waiting", error, next_ms)
        way = (self.rows[number].channel, self.rows[number].recipient)
        for other, standing in self.standings.items():
            same = (self.rows[other].channel, self.rows[other].recipient) == way
            if others and same and standing.state == "waiting" and standing.next_ms < next_ms:
                self.standings[other] = replace(standing, next_ms=next_ms)

    def mark_failed(self, number: int, now_ms: int, error: str, /) -> None:
        self._mark(number, "failed", error)

    def mark_unconfirmed(self, number: int, now_ms: int, error: str, /) -> None:
        self._mark(number, "unconfirmed", error)

    def _mark(self, number: int, state: str, error: str = "", next_ms: int | None = None) -> None:
        self.on_mark(f"{state} {number}")
        if self.full:
            raise sqlite3.OperationalError("database or disk is full")
        self.marks.append(f"{state} {number}")
        before = self.standings[number].next_ms
        self.standings[number] = Standing(state, before if next_ms is None else next_ms, error)


class JournalOutbox(OutboxStore):
    """The real one, with the journal beside it that the collector would put messages in."""

    def __init__(self, path: Path) -> None:
        if not path.exists():
            Journal(path, "America/Chicago", 0).close()
        super().__init__(path)

    def put(self, *letters: Letter) -> None:
        with Journal(self.path, "America/Chicago", 0) as journal:
            journal.commit(Batch(messages=list(_new(letters))), letters[0].created_ms)

    def standing(self, key: str) -> Standing:
        with self._work() as db:
            row = db.execute("SELECT state, next_ms, last_error FROM outbox WHERE key = ?", (key,)).fetchone()
        return Standing(*row)

    def reopened(self) -> "JournalOutbox":
        self.close()
        return JournalOutbox(self.path)


def _new(letters: Iterable[Letter]) -> Iterable[NewMessage]:
    for each in letters:
        yield NewMessage(
            key=each.key,
            recipient=each.recipient,
            channel=each.channel,
            priority=each.priority,
            subject=each.subject,
            body=each.body,
            created_ms=each.created_ms,
        )
