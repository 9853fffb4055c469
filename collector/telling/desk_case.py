"""One occurrence of an alarm: how it stands, and what each person has heard of it or is still to hear."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from collector.alarms.model import STANDING, AlarmKey, AlarmState, Event, Rule, State, Transition
from collector.domain.lab import Person, Series
from collector.telling.notice import Fate, Notice, NoticeKey, Reason

OccurrenceKey = tuple[AlarmKey, int]
"""The alarm, and when it was annunciated."""
_OPEN = (Fate.WAITING, Fate.TOLD, Fate.DIGEST)


def occurrence_of(change: Transition) -> OccurrenceKey:
    """Which occurrence a change belongs to."""
    return change.key, change.t_ms if change.raised_ms is None else change.raised_ms


def ends(change: Transition) -> bool:
    """Whether it is the end of what people were called for, other than by somebody's order or by design."""
    return change.event in (Event.CLEARED, Event.RULE_REMOVED) and change.before in STANDING


def is_told(change: Transition) -> bool:
    """Whether people hear of it: what calls them, and the end of what they were called for. Not what somebody did to an
    alarm (acknowledged, shelved, reset), nor what happens to one that is shelved, suppressed or out of service."""
    return change.annunciates or ends(change) or _latches(change)


def _latches(change: Transition) -> bool:
    return change.event is Event.LATCHED and change.before in STANDING


@dataclass(slots=True, kw_only=True)
class Case:
    """`call` is the change that last called people, `later` those of further turns, whom nobody may have to call."""

    rule: Rule
    series: Series
    call: Transition
    standing: bool = True
    acked_ms: int | None = None
    later: Sequence[Person] = ()
    hidden: bool = False
    """It stood and was then suppressed by design, a tray that was just watered say: its end is still news."""
    notices: dict[NoticeKey, Notice] = field(default_factory=dict)

    @property
    def occurrence(self) -> OccurrenceKey:
        """Which occurrence this is."""
        return occurrence_of(self.call)

    @property
    def unanswered(self) -> bool:
        """It stands and nobody has said that they see to it."""
        return self.standing and self.acked_ms is None

    def of(self, role: str) -> list[Notice]:
        """The notices of one person."""
        return [notice for notice in self.notices.values() if notice.key.role == role]

    def waiting(self, role: str) -> list[Notice]:
        """What one person is still to hear."""
        return [notice for notice in self.unsaid() if notice.key.role == role]

    def unsaid(self) -> list[Notice]:
        """All that waits."""
        return [notice for notice in self.notices.values() if notice.fate is Fate.WAITING]

    def roles(self) -> list[str]:
        """Everybody who has heard of it or will."""
        return list(dict.fromkeys(notice.key.role for notice in self.notices.values() if notice.fate in _OPEN))

    def inside(self) -> list[str]:
        """Who is spared it because of a worse alarm, and has heard nothing of this call."""
        of_this_call = [notice for notice in self.notices.values() if notice.key.t_ms >= self.call.t_ms]
        heard = {notice.key.role for notice in of_this_call if notice.fate in _OPEN}
        return [
            notice.key.role
            for notice in of_this_call
            if notice.key.why == Reason.INSIDE and notice.key.role not in heard
        ]

    def thread(self, role: str) -> str:
        """Key of the first message that told this person."""
        told = [notice for notice in self.of(role) if notice.fate is Fate.TOLD]
        first = min(told, key=lambda notice: (notice.settled_ms or 0, notice.message), default=None)
        return "" if first is None else first.message

    def needless(self) -> list[Notice]:
        """Reminders and calls of further turns that wait, once someone sees to it or it is over."""
        return [notice for notice in self.unsaid() if notice.key.why != Reason.NEWS]

    def stands(self, state: AlarmState | None) -> None:
        """As the journal has it: this occurrence or none."""
        _, raised_ms = self.occurrence
        mine = state is not None and state.raised_ms == raised_ms
        self.standing = state is not None and mine and state.state in STANDING
        self.hidden = state is not None and mine and state.state is State.SUPPRESSED and state.active
        acknowledged = state is not None and self.standing and state.state is State.ACKNOWLEDGED
        self.acked_ms = None if state is None or not acknowledged else state.acked_ms or raised_ms

    def ends_hidden(self, change: Transition) -> bool:
        """Whether its condition goes while it is suppressed, or has gone by the time that it no longer is."""
        gone = change.event is Event.UNSUPPRESSED and change.after is State.NORMAL
        return self.hidden and (change.event is Event.CLEARED or gone)

    def follow(self, change: Transition) -> None:
        """Whatever happened to it, whether people hear of that or not."""
        self.standing = change.after in STANDING
        by_design = change.event is Event.SUPPRESSED and change.before in STANDING
        self.hidden = change.after is State.SUPPRESSED and (self.hidden or by_design)
        if change.annunciates:
            self.call, self.acked_ms = change, None
        elif change.event is Event.ACKNOWLEDGED:
            self.acked_ms = change.t_ms

    @property
    def over(self) -> bool:
        """Nothing more can come of it."""
        return not self.standing and not self.hidden and not self.unsaid()


def call_of(notices: list[Notice]) -> Transition | None:
    """The change that last called people, among those they were to be told."""
    calls = [notice.transition for notice in notices if notice.transition.annunciates]
    return max(calls, key=lambda change: change.t_ms, default=None)
