"""What goes into one message to one person: decided by the desk, put into words by the letters."""

from dataclasses import dataclass

from collector.alarms.model import Rule, Transition
from collector.domain.lab import Person, Series
from collector.telling.notice import Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One change of one alarm."""

    transition: Transition
    rule: Rule
    series: Series
    why: Reason = Reason.NEWS
    ended: Transition | None = None
    """Its end, where it was over before this person was told: it came and went."""
    thread: str = ""
    """Key of the first message that told this person of this occurrence; empty where this is the first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MessagePlan:
    """One message to be written."""

    key: str
    """The same for the same items and person; holds no address. The outbox adds the channel."""
    person: Person
    items: tuple[Item, ...]
    """Worst first; at least one."""
    others: tuple[str, ...] = ()
    """Roles of the others who hear, or have heard, of the first item."""
    held: int = 0
    """How many of the items waited because enough had been sent within the hour."""
    catching_up: bool = False
    """They came together after the collector had been away."""

    @property
    def threads(self) -> tuple[str, ...]:
        """Keys of the messages this one answers, each once, the worst item's first."""
        return tuple(dict.fromkeys(item.thread for item in self.items if item.thread))
