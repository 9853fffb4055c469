"""What one person is to hear of one change of an alarm, and what has become of that."""

from dataclasses import dataclass, replace
from enum import StrEnum

from collector.alarms.model import Transition


class Reason(StrEnum):
    """Why somebody is told."""

    NEWS = "news"
    """The alarm changed."""
    REMINDER = "reminder"
    """A high alarm still stands."""
    PASSED_ON = "escalated"
    """Nobody has acknowledged it in time: those of the next turn hear of it. The journal keeps it by the older word."""
    INSIDE = "inside"
    """Not told: a worse alarm of the same trouble speaks for it. Told as news where it outlasts that one."""


class Fate(StrEnum):
    """What has become of a notice."""

    WAITING = "waiting"
    TOLD = "told"
    """It went into the message `message`."""
    DIGEST = "digest"
    """Left for the next digest."""
    DROPPED = "dropped"
    """Needless: what it tells the end of was never told, or the alarm was gone before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeKey:
    """One thing to tell one person; the same thing has the same key however often it is made."""

    role: str
    rule: str
    series: int
    occurrence_ms: int
    """When the alarm was annunciated (`raised_ms`)."""
    event: str
    """The transition's event."""
    why: str
    t_ms: int
    """When it became due to be told at all: the transition's time, for a reminder or a passing on its own."""

    def written(self) -> str:
        """The key as one text, from which the key of a message is made: it must stay what it was."""
        parts = (self.role, self.rule, self.series, self.occurrence_ms, self.event, self.why, self.t_ms)
        return "\0".join(map(str, parts))


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """Kept in the journal from when it arises until it is settled."""

    key: NoticeKey
    transition: Transition
    """The change it tells of; for reminders and what is passed on the one that raised the alarm."""
    place: str
    priority: str
    made_ms: int
    due_ms: int
    """Not to be told before."""
    fate: Fate = Fate.WAITING
    settled_ms: int | None = None
    message: str = ""
    """Key of the message that told it."""

    def settled(self, fate: Fate, now_ms: int, message: str = "") -> "Notice":
        """The same, settled."""
        return replace(self, fate=fate, settled_ms=now_ms, message=message)
