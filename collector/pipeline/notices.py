"""From changes of alarms to rows for the outbox: the desk decides who hears what when, the letters say it, and each
person gets a row for each way there is to reach them."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from collector.alarms.model import AlarmKey, AlarmState, Rule, Transition
from collector.delivery.addressing import addressees_of, everyone
from collector.delivery.rows import rows_of
from collector.delivery.servers import ChatAddresses, MailServer
from collector.domain.lab import Lab, Series
from collector.letters.facts import LetterFacts
from collector.letters.letter import Letter, alarm_letter
from collector.pipeline.lab_facts import LetterSources
from collector.store.batch import NewMessage
from collector.telling.desk import Desk
from collector.telling.message_plan import MessagePlan
from collector.telling.notice import Notice, NoticeKey


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlet:
    """By what people are reached, and what writes to them."""

    mail: MailServer | None = None
    chat: ChatAddresses = field(default_factory=ChatAddresses)
    sources: LetterSources = field(default_factory=LetterSources)
    write: Callable[[MessagePlan, LetterFacts, int], Letter] = alarm_letter


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldSoFar:
    """What the journal kept of alarms and of what people heard of them, and by what it is understood."""

    notices: Iterable[Notice]
    states: Mapping[AlarmKey, AlarmState]
    rules: Mapping[str, Rule]
    series: Mapping[int, Series]


class Notices:
    """The desk of one lab, with the ways to its people."""

    def __init__(self, lab: Lab, outlet: Outlet, told: ToldSoFar, now_ms: int) -> None:
        self._outlet = outlet
        self.sources = outlet.sources
        self.desk = Desk(lab, everyone(lab, outlet.chat))
        self.desk.restore(list(told.notices), told.states, told.rules, told.series, now_ms)

    def take(self, change: Transition, rule: Rule, series: Series, now_ms: int) -> None:
        """A change of an alarm, also one that nobody hears of."""
        self.desk.take(change, rule, series, now_ms)

    def follow(self, rules: Mapping[str, Rule]) -> None:
        """Other rules hold."""
        self.desk.follow(rules)

    def release(self, now_ms: int, gathering: bool, facts: LetterFacts) -> list[NewMessage]:
        """The messages that are to go now."""
        return [row for plan in self.desk.release(now_ms, gathering) for row in self._rows(plan, facts, now_ms)]

    def changed(self) -> dict[NoticeKey, Notice]:
        """Notices to be stored, new and settled since the last call; with the messages that settled them."""
        return self.desk.changed()

    def _rows(self, plan: MessagePlan, facts: LetterFacts, now_ms: int) -> list[NewMessage]:
        letter = self._outlet.write(plan, facts, now_ms)
        priority, ways = plan.items[0].rule.priority.value, addressees_of(plan.person, self._outlet.mail)
        return rows_of(letter, plan.key, ways, priority=priority, now_ms=now_ms, threads=plan.threads)
