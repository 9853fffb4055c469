"""One item of a message plan for one person: what all the words about it follow from."""

from dataclasses import dataclass
from enum import Enum
from zoneinfo import ZoneInfo

from collector.alarms.model import Event, Rule, Transition
from collector.domain.lab import Lab, Person, Series
from collector.domain.readings import StoredReading
from collector.domain.units import show_duration
from collector.letters.facts import LetterFacts
from collector.letters.local_time import clock_time
from collector.letters.plain import one_line
from collector.letters.trouble import Trouble
from collector.telling.message_plan import Item

_OVER = (Event.CLEARED, Event.LATCHED)
_BEGINS = (Event.RAISED, Event.RE_ALARMED)


class Outcome(Enum):
    """What the item comes to for whoever reads it."""

    CALLS = "calls"
    """Something is to be done."""
    CAME_AND_WENT = "came and went"
    """It was over before this person was told."""
    LESS_URGENT = "less urgent"
    """It is over, while another alarm of the same readings stands."""
    BACK_TO_NORMAL = "back to normal"
    CHANGED = "changed"
    """Something else became of it, such as that its rule is gone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Matter:
    """Made by `matter_of`."""

    item: Item
    facts: LetterFacts
    person: Person
    now_ms: int
    change: Transition
    """The change that counts: the end, where the item came and went."""
    outcome: Outcome
    still: Rule | None
    """The alarm that stands yet where this one is over."""
    last: StoredReading | None
    """The newest reading of the series."""

    @property
    def calls(self) -> bool:
        """Whether something is to be done."""
        return self.outcome is Outcome.CALLS

    @property
    def over(self) -> bool:
        """Whether the condition has gone."""
        return self.change.event in _OVER

    @property
    def rule(self) -> Rule:
        """The rule of the alarm."""
        return self.item.rule

    @property
    def series(self) -> Series:
        """What the alarm is about."""
        return self.item.series

    @property
    def lab(self) -> Lab:
        """The lab as it is now."""
        return self.facts.lab

    @property
    def trouble(self) -> Trouble:
        """The same in a teacher's words."""
        return Trouble(rule=self.rule, series=self.series, lab=self.lab, when=self.when)

    @property
    def place(self) -> str:
        """'Juniper, top tray'."""
        known = self.lab.by_id.get(self.series.place)
        if known is not None:
            return one_line(known.label, 80)
        return "Collector" if self.trouble.link else one_line(self.series.place, 80)

    @property
    def begin_ms(self) -> int:
        """Since when it has been so."""
        return self.change.since_ms if self.change.since_ms is not None else self.change.t_ms

    def when(self, ms: int) -> str:
        """A moment as the reader knows it: '09:40'."""
        return clock_time(ms, ZoneInfo(self.lab.time_zone), self.now_ms)

    def ago(self, ms: int) -> str:
        """'09:40 (40 min ago)'."""
        return f"{self.when(ms)} ({show_duration(self.now_ms - ms)} ago)"


def matter_of(item: Item, facts: LetterFacts, person: Person, now_ms: int) -> Matter:
    """What the words about `item` follow from, as things are at `now_ms`."""
    change = item.transition if item.ended is None else item.ended
    alone = item.ended is None
    still = facts.still_standing(item.rule, item.series) if alone and change.event is Event.CLEARED else None
    return Matter(
        item=item,
        facts=facts,
        person=person,
        now_ms=now_ms,
        change=change,
        outcome=_outcome(change, alone, still),
        still=still,
        last=facts.newest(item.series),
    )


def _outcome(change: Transition, alone: bool, still: Rule | None) -> Outcome:
    """`alone`: the change is told by itself, not as the end of what came and went."""
    if alone and (change.annunciates or change.event in _BEGINS):
        return Outcome.CALLS
    if change.event not in _OVER:
        return Outcome.CHANGED
    if not alone:
        return Outcome.CAME_AND_WENT
    return Outcome.LESS_URGENT if still is not None else Outcome.BACK_TO_NORMAL
