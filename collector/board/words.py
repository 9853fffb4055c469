"""What the page behind a link says of one occurrence of an alarm, from values alone."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypedDict
from zoneinfo import ZoneInfo

from collector.alarms.model import LINK_SERIES, STANDING, AlarmKey, AlarmState, Event, Rule, State, Transition
from collector.board.port import AlarmPage
from collector.domain.diary import DiaryEntry
from collector.domain.lab import Lab, Person, Series
from collector.domain.readings import StoredReading
from collector.domain.units import show_duration
from collector.letters.figures import Figures
from collector.letters.how_long import HowLong
from collector.letters.links import Ack
from collector.letters.local_time import clock_time
from collector.letters.matter import Matter, matter_of
from collector.letters.plain import one_line
from collector.letters.to_do import ToDo
from collector.letters.trouble import Trouble
from collector.pipeline.lab_facts import LabFacts, LetterSources
from collector.store.tables.alarm_rows import PastChange
from collector.telling.message_plan import Item

ON_IT, SEEN = "I am on it", "I have seen it"
_NOTHING = "There is nothing to acknowledge."
_CALLED = (*STANDING, State.RETURNED)
"""States that people were called to."""


_CALLS = (Event.RAISED, Event.RE_ALARMED)


class _AsTold(TypedDict, total=False):
    """Fields of the page that are the mail's."""

    figures: tuple[tuple[str, str], ...]
    to_do: str
    why: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OccurrenceView:
    """All that is known of an occurrence at this moment."""

    ack: Ack
    lab: Lab
    rule: Rule | None
    """None where the rules have no alarm of this name any more."""
    series: Series | None
    """None where the journal does not know it."""
    state: AlarmState | None
    """As the alarm is now, of this occurrence or another; None: normal."""
    past: Sequence[PastChange]
    """What happened to this occurrence, in its order."""
    asked: bool
    """Whether it has been acknowledged by a request that the collector has not taken up yet."""
    running: bool
    """Whether the collector runs."""
    alive_ms: int | None
    """When it last gave a sign of life."""
    now_ms: int
    last: Mapping[int, StoredReading] = field(default_factory=dict)
    """The newest reading of each series."""
    known: Mapping[int, Series] = field(default_factory=dict)
    states: Mapping[AlarmKey, AlarmState] = field(default_factory=dict)
    """Every alarm as it is now, with `rules` by name and the diary: what is advised follows from all of it."""
    rules: Mapping[str, Rule] = field(default_factory=dict)
    diary: Sequence[DiaryEntry] = ()

    @property
    def own(self) -> AlarmState | None:
        """The state, where it is that of this occurrence."""
        return self.state if self.state is not None and self.state.raised_ms == self.ack.raised_ms else None

    @property
    def button(self) -> str:
        """What there is to press; empty: nothing."""
        own = self.own
        if own is None or self.asked:
            return ""
        if own.state is State.UNACKNOWLEDGED and own.active:
            return ON_IT
        latched = own.state in STANDING and not own.active
        return SEEN if latched or own.state is State.RETURNED else ""

    def page(self) -> AlarmPage:
        """The page in words."""
        standing = self.own is not None and self.own.state in _CALLED
        return AlarmPage(
            lab=one_line(self.lab.name),
            where=self._where(),
            what=self._what(),
            since=self._since(standing),
            priority=self._priority(standing),
            level=self._level(),
            state=tuple(self._sentences()),
            button=self.button,
            role=one_line(self.ack.role),
            **self._as_told() if standing else {},
            waiting=self.asked and self.running,
        )

    def _as_told(self) -> "_AsTold":
        """What the mail says of it, by the same words."""
        matter = self._matter()
        if matter is None:
            return {}
        to_do, comes = ToDo(matter), HowLong(matter).if_nothing
        return {
            "figures": tuple(Figures(matter).now()),
            "to_do": "\n".join(to_do.with_cautions()),
            "why": ((comes, " ".join(to_do.consequence())), ("Basis", one_line(to_do.basis))),
        }

    def _matter(self) -> Matter | None:
        called = [change for change in self.past if change.event in _CALLS] or self.past[:1]
        if self.rule is None or self.series is None or not called:
            return None
        item = Item(transition=_transition(called[-1]), rule=self.rule, series=self.series)
        facts = LabFacts(
            lab=self.lab,
            last=self.last,
            known=self.known,
            states=lambda: self.states,
            sources=LetterSources(),
            rules=self.rules,
            diary=lambda: self.diary,
        )
        return matter_of(item, facts, Person(role=self.ack.role), self.now_ms)

    # What it is about

    def _when(self, ms: int) -> str:
        return clock_time(ms, ZoneInfo(self.lab.time_zone), self.now_ms)

    def _where(self) -> str:
        place = self.lab.by_id.get(self.ack.place)
        if place is not None:
            return one_line(place.label)
        return "Collector" if self.ack.place == LINK_SERIES.place else one_line(self.ack.place)

    def _what(self) -> str:
        if self.rule is None or self.series is None:
            return f"alarm {one_line(self.ack.rule)}"
        words = Trouble(rule=self.rule, series=self.series, lab=self.lab, when=self._when).wrong()
        return words[:1].upper() + words[1:]

    @property
    def _since_ms(self) -> int:
        found = [change.since_ms for change in self.past if change.since_ms is not None]
        return found[0] if found else self.ack.raised_ms

    def _since(self, standing: bool) -> str:
        lasted_ms = self.now_ms - self._since_ms
        ago = f" ({show_duration(lasted_ms)} ago)" if standing and lasted_ms > 0 else ""
        return self._when(self._since_ms) + ago

    def _priority(self, standing: bool) -> str:
        if self.rule is None:
            return self.past[0].priority if self.past else "not known"
        respond = self.rule.time_to_respond_ms
        by = f", by {self._when(self._since_ms + respond)}" if standing else ""
        return f"{self.rule.priority.value}: time to respond {show_duration(respond)}{by}"

    def _level(self) -> str:
        """Colour only while a person is wanted and nobody has said to be on it."""
        calls = self.own is not None and self.own.state is State.UNACKNOWLEDGED and not self.asked
        return (self.rule.priority.value if self.rule is not None else "medium") if calls else ""

    # What is now

    def _sentences(self) -> Iterator[str]:
        if self.asked:
            running = "Noted. The collector will take it up in a moment."
            yield running if self.running else "Noted. The collector takes it up when it runs again."
        elif self.own is not None:
            yield from self._standing(self.own)
        else:
            yield from self._gone()
        if not self.running:
            as_of = f"; what stands here is as of {self._when(self.alive_ms)}" if self.alive_ms is not None else ""
            yield f"The collector is not running{as_of}."
            if self.button:
                yield "A press of the button is noted all the same."

    def _standing(self, own: AlarmState) -> Iterator[str]:
        if own.state is State.SHELVED:
            until = f" until {self._when(own.shelved_until_ms)}" if own.shelved_until_ms is not None else ""
            yield f"Shelved by {one_line(own.shelved_by)}{until}: {one_line(own.reason)}. {_NOTHING}"
        elif own.state is State.SUPPRESSED:
            yield f"Suppressed ({one_line(own.cause) or 'by design'}). {_NOTHING}"
        elif own.state is State.OUT_OF_SERVICE:
            yield f"Out of service. {_NOTHING}"
        else:
            yield self._on_it() or "Nobody is on it yet."
            yield from self._back_to_normal()
            if own.state in STANDING and not own.active:
                yield "The alarm stays until somebody has looked."

    def _gone(self) -> Iterator[str]:
        """This occurrence is over, or not of this journal."""
        if not self.past:
            yield f"{self._not_ours()} {_NOTHING}"
            return
        on_it = self._on_it()
        if on_it:
            yield on_it
        yield from self._back_to_normal()
        if self.past[-1].event is Event.RULE_REMOVED:
            yield "The rule was changed or taken away since."
        if self.state is not None and self.state.raised_ms is not None and self.state.state in _CALLED:
            again = self._when(self.state.raised_ms)
            yield f"That alarm is over. Another one stands since {again}; its own message has its own link."
        else:
            yield f"It is over. {_NOTHING}"

    def _not_ours(self) -> str:
        """Why an occurrence is unknown, as far as can be told."""
        lab = one_line(self.lab.name)
        if self.series is None or self.series.place != self.ack.place:
            return f"This link is of another lab: the journal of {lab} has no such probe at {one_line(self.ack.place)}."
        return f"The journal of {lab} does not know this alarm: the link is of another lab or of an older journal."

    def _on_it(self) -> str:
        """Who has acknowledged it, unless it has called again since."""
        for change in reversed(self.past):
            if change.event in (Event.ACKNOWLEDGED, Event.RESET):
                return f"{one_line(change.by)} is on it, since {self._when(change.noticed_ms)}."
            if change.event in (Event.RAISED, Event.RE_ALARMED):
                return ""
        return ""

    def _back_to_normal(self) -> Iterator[str]:
        if self.past and (self.own is None or not self.own.active):
            ends = [change.t_ms for change in self.past if change.event in (Event.CLEARED, Event.LATCHED)]
            if ends:
                yield f"Back to normal at {self._when(ends[-1])}."


def _transition(change: PastChange) -> Transition:
    """The change as it was told of."""
    return Transition(
        key=AlarmKey(change.rule, change.series),
        event=change.event,
        before=change.before,
        after=change.after,
        t_ms=change.t_ms,
        since_ms=change.since_ms,
        raised_ms=change.raised_ms,
        value=change.value,
        worst=change.worst,
    )
