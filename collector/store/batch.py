"""What one transaction carries: everything that belongs together or not at all."""

from dataclasses import dataclass, field
from typing import TypeAlias

from collector.alarms.model import AlarmKey, AlarmState, Transition
from collector.domain.diary import Brew, DiaryEntry
from collector.store.requests import Reply
from collector.store.vocabulary import Counter, EventKind, MetaKey
from collector.telling.notice import Notice, NoticeKey

UNPLACED_KEPT = 500
REJECTED_KEPT = 500
"""Rows of each that the journal holds; a batch that waits for a full disk holds no more either."""
ReadingRow: TypeAlias = tuple[int, int, float | None, int, float | None, int]
"""A reading as the journal takes and gives it: t (ms UTC), series, value, flag, raw, why. A tuple, so that nothing is
converted on the way of millions of rows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryRow:
    """A change of an alarm with the words a reader of the history needs."""

    transition: Transition
    place: str
    measure: str
    priority: str
    noticed_ms: int
    """When the collector saw it; later than the change itself after an outage."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NewMessage:
    """A message to one person. `key` names what it tells: the same key is never told twice."""

    key: str
    recipient: str
    channel: str
    priority: str
    subject: str
    body: str
    """Plain text."""
    created_ms: int
    html: str = ""
    """The same in HTML; empty: plain text alone."""
    parents: tuple[str, ...] = ()
    """Keys, each with its recipient's part, of the messages this one answers."""
    picture: str = ""
    """What to draw when it is sent, as JSON; empty: no picture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unplaced:
    """What came from a probe the lab file does not know; `count` is how often since the last batch."""

    first_ms: int
    last_ms: int
    count: int
    sample: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class RejectedRow:
    """A message that could not be read, and why."""

    t_ms: int
    topic: str
    reason: str
    first_bytes: bytes


@dataclass(frozen=True, slots=True)
class ReplyRow:
    """What became of the request `id`."""

    id: int
    done_ms: int
    reply: Reply


@dataclass(slots=True)
class Batch:
    """Committed whole or not at all; after a failure the same batch can be committed again.

    The journal itself counts `duplicates`, `too_old` and `impossible_time`; leave these out of `counts`.
    """

    rows: list[ReadingRow] = field(default_factory=list)
    states: dict[AlarmKey, AlarmState] = field(default_factory=dict)
    transitions: list[HistoryRow] = field(default_factory=list)
    messages: list[NewMessage] = field(default_factory=list)
    unplaced: dict[tuple[str, str], Unplaced] = field(default_factory=dict)
    rejected: list[RejectedRow] = field(default_factory=list)
    counts: dict[Counter, int] = field(default_factory=dict)
    arrivals: list[tuple[int, bytes]] = field(default_factory=list)
    """Packet id and digest of messages whose time is their arrival: how a redelivery is known."""
    events: list[tuple[int, EventKind, str]] = field(default_factory=list)
    """t_ms, kind, detail."""
    meta: dict[MetaKey, str] = field(default_factory=dict)
    replies: list[ReplyRow] = field(default_factory=list)
    notices: dict[NoticeKey, Notice] = field(default_factory=dict)
    """New ones, and changed ones as they are now."""
    diary: dict[int, DiaryEntry] = field(default_factory=dict)
    brews: dict[int, Brew] = field(default_factory=dict)
    """By number: new ones, and changed ones as they are now."""

    def forget_oldest(self) -> None:
        """Keep no more of what nobody claims or can read than the journal does."""
        del self.rejected[:-REJECTED_KEPT]
        for key in [*self.unplaced][:-UNPLACED_KEPT]:
            del self.unplaced[key]

    @property
    def empty(self) -> bool:
        """Nothing to commit."""
        return not any(
            (
                self.rows,
                self.states,
                self.transitions,
                self.messages,
                self.unplaced,
                self.rejected,
                self.counts,
                self.arrivals,
                self.events,
                self.meta,
                self.replies,
                self.notices,
                self.diary,
                self.brews,
            )
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class CommitResult:
    """What became of the readings of a batch."""

    stored: int
    duplicates: int
    """On a key already kept. The value kept first stands; values are not compared."""
    too_old: int
    """From a stretch that retention has deleted, or before 1900; not stored."""
    impossible: int
    """After the year 9000; not stored."""
