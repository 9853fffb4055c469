"""Who is told of a change of an alarm, by which way, in which words: rows for the outbox."""

from collections.abc import Iterator
from dataclasses import dataclass

from collector.alarms.model import STANDING, Event, Priority, Rule, Transition
from collector.domain.lab import Lab, Series
from collector.domain.readings import Stored
from collector.messages.settings import ChatSettings, MailSettings
from collector.messages.text import message_key, render
from collector.messages.ways import addressees
from collector.store.batch import NewMessage


def is_told(transition: Transition) -> bool:
    """Whether people hear of it: what calls them, and the end of what they were called for. Not what somebody did to an
    alarm (acknowledged, shelved, reset), nor what happens to one that is shelved, suppressed or out of service."""
    ended = transition.event in (Event.CLEARED, Event.LATCHED) and transition.before in STANDING
    return transition.annunciates or ended


@dataclass(frozen=True, slots=True)
class Notices:
    """Pure but for its settings: the same transition always gives rows with the same keys."""

    lab: Lab
    mail: MailSettings | None
    chat: ChatSettings

    def about(
        self, transition: Transition, rule: Rule, series: Series, last: Stored | None, now_ms: int
    ) -> Iterator[NewMessage]:
        """One row for each person to tell; none for a change that nobody needs to hear of."""
        if not is_told(transition):
            return
        to = addressees(self.lab, Priority(rule.priority), self.mail, self.chat)
        if not to:
            return
        text = render(transition, rule, self.lab.by_id.get(series.place), self.lab, now_ms, series=series, last=last)
        for person in to:
            yield NewMessage(
                key=message_key(transition, f"{person.channel}:{person.recipient}"),
                recipient=person.recipient,
                channel=person.channel,
                priority=rule.priority.value,
                subject=text.subject,
                body=text.body,
                created_ms=now_ms,
            )
