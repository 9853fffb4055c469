"""An address that takes no messages is told to the others: once a day, with every subject that did not get through.
A message of which nobody can tell whether it arrived counts as not told.

The collector's thread asks `look` each turn, which costs nothing until a sending thread has given a message up. What
was told is kept in the journal beside the message that tells it. A report that fails is never reported.
"""

import json
import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from itertools import chain

from collector.alarms.model import Priority
from collector.config.log import Log
from collector.delivery.addressing import Addressee, addressees_of, everyone
from collector.delivery.port import Way
from collector.delivery.rows import rows_of
from collector.delivery.servers import ChatAddresses, MailServer
from collector.domain.lab import Lab, Person
from collector.letters.letter import Letter
from collector.letters.plain import one_line
from collector.store.batch import Batch, NewMessage
from collector.store.errors import JournalStalled
from collector.store.journal import Journal
from collector.store.tables.recipients import REPORTS, FailedMessage
from collector.store.vocabulary import MetaKey

_DAY_MS = 86_400_000
_KEPT_MS = 30 * _DAY_MS
"""What failed longer ago is not looked at again."""
_NAMES: dict[str, str] = {Way.EMAIL: "mail", Way.CHAT: "chat", Way.FILE: "files"}


@dataclass(frozen=True, slots=True)
class _Told:
    """What the others have heard of one address."""

    at_ms: int
    messages: frozenset[int]


class DeadAddresses:
    """`failed` is set by whoever gave a message up. Used by the collector's thread alone."""

    def __init__(
        self,
        journal: Journal,
        lab: Lab,
        mail: MailServer | None,
        chat: ChatAddresses,
        failed: threading.Event,
        log: Log,
    ) -> None:
        self._journal, self._lab, self._mail, self._log, self._failed = journal, lab, mail, log, failed
        self._people = everyone(lab, chat)
        self._told: dict[str, _Told] | None = None
        self._next_ms: int | None = None
        self._unsaid: tuple[int, ...] = ()
        failed.set()  # what failed just before the last stop may not be told yet

    def look(self, batch: Batch, now_ms: int) -> None:
        """Add to the batch what the others should hear now."""
        if not self._failed.is_set() and (self._next_ms is None or now_ms < self._next_ms):
            return
        self._failed.clear()
        try:
            found = self._journal.failed_messages(now_ms - _KEPT_MS)
            before = _read(self._journal.meta().get(MetaKey.DEAD_ADDRESSES, "")) if self._told is None else self._told
        except JournalStalled:
            self._failed.set()
            return
        by_way: dict[Addressee, list[FailedMessage]] = {}
        for message in found:
            by_way.setdefault(Addressee(message.channel, message.recipient), []).append(message)
        told = {digest: before[digest] for digest in map(_digest, by_way) if digest in before}
        self._next_ms = None
        for way, messages in by_way.items():
            fresh = self._due(messages, told.get(_digest(way)), now_ms)
            if fresh:
                told[_digest(way)] = _Told(now_ms, frozenset(message.id for message in messages))
                batch.messages += self._reports(way, fresh, now_ms)
        self._unsaid = self._heard_by_nobody(by_way, now_ms)
        self._told = told
        if told != before:
            batch.meta[MetaKey.DEAD_ADDRESSES] = _written(told)

    def oldest_unsaid_ms(self, now_ms: int) -> int | None:
        """When the oldest message was written that failed within the day and that nobody else could be told of."""
        self._unsaid = tuple(ms for ms in self._unsaid if now_ms - ms < _DAY_MS)
        return min(self._unsaid, default=None)

    def _due(self, messages: Iterable[FailedMessage], told: _Told | None, now_ms: int) -> list[FailedMessage]:
        """What the others have not heard of an address, if it is time to tell them."""
        fresh = [message for message in messages if told is None or message.id not in told.messages]
        due_ms = self._due_ms(fresh, told, now_ms) if fresh else now_ms
        if due_ms <= now_ms:
            return fresh
        self._next_ms = due_ms if self._next_ms is None else min(due_ms, self._next_ms)
        return []

    def _due_ms(self, fresh: Iterable[FailedMessage], told: _Told | None, now_ms: int) -> int:
        """Once a day; at night only where something urgent did not get through."""
        if told is not None and 0 <= now_ms - told.at_ms < _DAY_MS:
            return told.at_ms + _DAY_MS
        waking = self._lab.telling.waking
        if waking.holds(now_ms) or any(message.priority == Priority.HIGH for message in fresh):
            return now_ms
        return waking.next_change_ms(now_ms) or now_ms

    def _reports(self, way: Addressee, fresh: Sequence[FailedMessage], now_ms: int) -> list[NewMessage]:
        others, whom = self._others(way), self._whom(way)
        if not others:
            self._log.error(
                f"messages to {whom} do not get through, and nobody else is there to be told: {fresh[-1].error}"
            )
        priority = Priority.HIGH if any(message.priority == Priority.HIGH for message in fresh) else Priority.MEDIUM
        key = f"{REPORTS}{_digest(way)}-{now_ms // _DAY_MS}"
        return rows_of(_report(whom, way, fresh), key, others, priority=priority, now_ms=now_ms)

    def _heard_by_nobody(self, by_way: Mapping[Addressee, Sequence[FailedMessage]], now_ms: int) -> tuple[int, ...]:
        """When what failed within the day was written, where every other way to reach anybody fails too."""
        lately = {
            way: [message.created_ms for message in messages if now_ms - message.created_ms < _DAY_MS]
            for way, messages in by_way.items()
            if now_ms - messages[-1].failed_ms < _DAY_MS
        }
        alone = (times for way, times in lately.items() if all(other in lately for other in self._others(way)))
        return tuple(chain.from_iterable(alone))

    def _others(self, way: Addressee) -> tuple[Addressee, ...]:
        """Every other way to reach anybody, the same person's too."""
        ways = dict.fromkeys(other for person in self._people for other in addressees_of(person, self._mail))
        return tuple(other for other in ways if other != way)

    def _whom(self, way: Addressee) -> str:
        """The roles at an address: 'teacher and second teacher'."""
        known = (*self._lab.people, *self._people)
        roles = dict.fromkeys(person.role for person in known if way in _all_ways(person))
        return " and ".join(roles) if roles else "somebody who is no longer in lab.yaml"


def _all_ways(person: Person) -> tuple[Addressee, ...]:
    """Also by files: the mail server may have been set since."""
    return (Addressee(Way.EMAIL, person.email), Addressee(Way.FILE, person.email), Addressee(Way.CHAT, person.chat))


def _report(whom: str, dead: Addressee, fresh: Sequence[FailedMessage]) -> Letter:
    mend = "TRAYWARDEN_CHAT__URLS" if dead.channel == Way.CHAT else "'people' in lab.yaml"
    unsure = all(message.unconfirmed for message in fresh)
    verdict = "may not get through" if unsure else "do not get through"
    count = f"{len(fresh)} unconfirmed" if unsure else f"{len(fresh)} failed"
    body = (
        f"Messages to {whom} by {_NAMES[dead.channel]} {verdict}.\n\n"
        f"What was answered: {one_line(fresh[-1].error, 300)}\n\n"
        f"What they {'may not have' if unsure else 'have not'} heard:\n"
        + "".join(f"- {one_line(message.subject, 200)}\n" for message in fresh)
        + f"\nTell them what matters of it. For the maintainer: mend the address under {mend}, then try it with:\n"
        "traywarden checkup --send\n\nIf more messages fail you hear of it again in a day at the earliest.\n"
    )
    subject = f"Messages to {whom} {verdict} ({count})"
    return Letter(subject=subject, body=body, html="", short=body)


def _digest(way: Addressee) -> str:
    return sha256(f"{way.channel}:{way.recipient}".encode("utf-8", "surrogatepass")).hexdigest()[:12]


def _written(told: dict[str, _Told]) -> str:
    return json.dumps({name: [report.at_ms, *sorted(report.messages)] for name, report in told.items()})


def _read(text: str) -> dict[str, _Told]:
    return {name: _Told(at_ms, frozenset(ids)) for name, (at_ms, *ids) in json.loads(text or "{}").items()}
