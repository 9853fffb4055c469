"""From changes of alarms to rows for the outbox: the desk decides who hears what when, the letters say it, and each
person gets a row for each way there is to reach them."""

from collections.abc import Callable, Iterable, Iterator, Mapping

from collector.alarms.model import AlarmKey, AlarmState, Event, Rule, Transition
from collector.alarms.notice import Notice, NoticeKey
from collector.domain.lab import Lab, Series
from collector.domain.readings import Stored
from collector.messages.desk import Desk
from collector.messages.parcel import Item, Parcel
from collector.messages.settings import ChatSettings, MailSettings
from collector.messages.text import Rendered, render
from collector.messages.ways import everyone, way_key, ways_to
from collector.store.batch import NewMessage

NewestOf = Callable[[int], Stored | None]
"""The newest reading of a series, by its number."""


class Notices:
    """The desk of one lab, with the ways to its people."""

    def __init__(self, lab: Lab, mail: MailSettings | None, chat: ChatSettings) -> None:
        self._lab, self._mail = lab, mail
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

    def release(self, now_ms: int, gathering: bool, newest: NewestOf) -> list[NewMessage]:
        """The messages that are to go now."""
        parcels = self.desk.release(now_ms, gathering)
        return [row for parcel in parcels for row in self._rows(parcel, now_ms, newest)]

    def changed(self) -> dict[NoticeKey, Notice]:
        """Notices to be stored, new and settled since the last call; with the messages that settled them."""
        return self.desk.changed()

    def _rows(self, parcel: Parcel, now_ms: int, newest: NewestOf) -> Iterator[NewMessage]:
        letter = _written(parcel, self._lab, now_ms, newest)
        for way in ways_to(parcel.person, self._mail):
            yield NewMessage(
                key=way_key(parcel.key, way),
                recipient=way.recipient,
                channel=way.channel,
                priority=parcel.items[0].rule.priority.value,
                subject=letter.subject,
                body=letter.body,
                created_ms=now_ms,
                parents=tuple(way_key(thread, way) for thread in parcel.threads),
            )


def _written(parcel: Parcel, lab: Lab, now_ms: int, newest: NewestOf) -> Rendered:
    """One alarm as its message, several one after the other."""
    texts = [_said(item, lab, now_ms, newest) for item in parcel.items]
    if len(texts) == 1:
        return texts[0]
    heads = [f"- {text.subject}" for text in texts]
    bodies = [text.body for text in texts[:20]]
    return Rendered(f"{texts[0].subject}; and {len(texts) - 1} more", "\n".join([*heads, "", "\n".join(bodies)]))


def _said(item: Item, lab: Lab, now_ms: int, newest: NewestOf) -> Rendered:
    change = item.transition if item.ended is None else item.ended
    place = lab.by_id.get(item.series.place)
    text = render(change, item.rule, place, lab, now_ms, series=item.series, last=newest(item.series.id))
    came = f"CAME AND WENT: {text.subject.partition(': ')[2]}"
    return text if change.event is not Event.CLEARED or item.ended is None else Rendered(came, text.body)
