"""From changes of alarms to rows for the outbox: the desk decides who hears what when, the letters say it, and each
person gets a row for each way there is to reach them."""

from collections.abc import Iterable, Iterator, Mapping

from collector.alarms.model import AlarmKey, AlarmState, Rule, Transition
from collector.delivery.addressing import addressees_of, everyone, row_key
from collector.delivery.servers import ChatAddresses, MailServer
from collector.domain.lab import Lab, Series
from collector.letters.facts import LetterFacts
from collector.letters.letter import alarm_letter
from collector.pipeline.lab_facts import Sources
from collector.store.batch import NewMessage
from collector.telling.desk import Desk
from collector.telling.message_plan import MessagePlan
from collector.telling.notice import Notice, NoticeKey


class Notices:
    """The desk of one lab, with the ways to its people."""

    def __init__(self, lab: Lab, mail: MailServer | None, chat: ChatAddresses, sources: Sources | None = None) -> None:
        self._mail = mail
        self.sources = Sources() if sources is None else sources
        self.desk = Desk(lab, everyone(lab, chat))
        self._kept: list[Notice] = []
        self._states: Mapping[AlarmKey, AlarmState] = {}

    def remember(self, notices: Iterable[Notice], states: Mapping[AlarmKey, AlarmState]) -> None:
        """What the journal kept; taken up by `begin`."""
        self._kept, self._states = list(notices), states

    def begin(self, rules: Mapping[str, Rule], series: Mapping[int, Series], now_ms: int) -> None:
        self.desk.restore(self._kept, self._states, rules, series, now_ms)
        self._kept, self._states = [], {}

    def take(self, change: Transition, rule: Rule, series: Series, now_ms: int) -> None:
        """A change of an alarm, also one that nobody hears of."""
        self.desk.take(change, rule, series, now_ms)

    def follow(self, rules: Mapping[str, Rule]) -> None:
        """Other rules hold."""
        self.desk.follow(rules)

    def release(self, now_ms: int, gathering: bool, facts: LetterFacts) -> list[NewMessage]:
        """The messages that are to go now."""
        plans = self.desk.release(now_ms, gathering)
        return [row for plan in plans for row in self._rows(plan, now_ms, facts)]

    def changed(self) -> dict[NoticeKey, Notice]:
        """Notices to be stored, new and settled since the last call; with the messages that settled them."""
        return self.desk.changed()

    def _rows(self, plan: MessagePlan, now_ms: int, facts: LetterFacts) -> Iterator[NewMessage]:
        letter = alarm_letter(plan, facts, now_ms)
        for way in addressees_of(plan.person, self._mail):
            chat = way.channel == "chat"
            yield NewMessage(
                key=row_key(plan.key, way),
                recipient=way.recipient,
                channel=way.channel,
                priority=plan.items[0].rule.priority.value,
                subject=letter.subject,
                body=letter.short if chat else letter.body,
                created_ms=now_ms,
                html="" if chat else letter.html,
                picture="" if chat else letter.picture,
                parents=tuple(row_key(thread, way) for thread in plan.threads),
            )
