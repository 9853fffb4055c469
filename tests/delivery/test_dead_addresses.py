"""Addresses that take no messages: the others are told once a day, and nothing that failed stays unsaid."""

import threading
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from collector.delivery.dead_addresses import DeadAddresses
from collector.delivery.servers import ChatAddresses, MailServer
from collector.domain.hours import every_day
from collector.domain.lab import Lab, Person, Telling
from collector.store.batch import Batch, NewMessage
from collector.store.errors import JournalStalled
from collector.store.journal import Journal
from collector.store.outbox import OutboxStore
from tests.services.clock import FakeClock
from tests.services.log_lines import log_to
from tests.store.samples import opened
from tests.worlds.values import lab

GONE = "550 5.1.1 no such mailbox"
MAIL = MailServer(host="mail.quillbrook.example")
PEOPLE = (
    Person(role="teacher", email="teacher@quillbrook.example"),
    Person(role="maintainer", email="maintainer@quillbrook.example", chat="maintainer-phone"),
)
LAB = lab(people=PEOPLE, telling=Telling(waking=every_day(7 * 60, 21 * 60, "UTC")))
CHAT = ChatAddresses(("json://chat.quillbrook.example/maintainer",), ("maintainer-phone",))


@dataclass
class Desk:
    """The collector's side: a journal, what failed, and what is committed."""

    journal: Journal
    clock: FakeClock
    lab: Lab = LAB
    chat: ChatAddresses = CHAT
    log: list[str] = field(default_factory=list)
    failed: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """Only what is in the journal is left."""
        self.dead = DeadAddresses(self.journal, self.lab, MAIL, self.chat, self.failed, log_to(self.log))

    def fail(
        self,
        key: str,
        recipient: str = PEOPLE[0].email,
        *,
        channel: str = "email",
        priority: str = "high",
        unconfirmed: bool = False,
    ) -> None:
        """A message given up, as the sending thread does it."""
        row = NewMessage(
            key=key,
            recipient=recipient,
            channel=channel,
            priority=priority,
            subject=f"Subject of {key}",
            body="body",
            created_ms=self.clock(),
        )
        self.journal.commit(Batch(messages=[row]), self.clock())
        with OutboxStore(self.journal.path) as outbox:
            while (found := outbox.take_next(self.clock())) is not None:
                mark = outbox.mark_unconfirmed if unconfirmed else outbox.mark_failed
                mark(found.id, self.clock(), GONE)
        self.failed.set()

    def look(self) -> list[NewMessage]:
        """One turn of the loop, committed."""
        batch = Batch()
        self.dead.look(batch, self.clock())
        self.journal.commit(batch, self.clock())
        return batch.messages


@pytest.fixture
def clock() -> FakeClock:
    """Monday 08:00 at the lab, until it is advanced."""
    return FakeClock()


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    return opened(tmp_path)


def test_the_others_hear_who_what_and_why(journal: Journal, clock: FakeClock) -> None:
    """By every way they have: the role, the server's words, the subject of what did not get through."""
    desk = Desk(journal, clock)
    desk.fail("hot")
    mail, chat = desk.look()
    assert (mail.channel, mail.recipient) == ("email", "maintainer@quillbrook.example")
    assert (chat.channel, chat.recipient) == ("chat", "maintainer-phone")
    assert mail.subject == "Messages to teacher do not get through (1 failed)"
    assert GONE in mail.body
    assert "- Subject of hot\n" in mail.body
    assert "'people' in lab.yaml" in mail.body
    assert mail.key != chat.key
    assert (mail.priority, chat.body) == ("high", mail.body)
    assert "teacher@" not in mail.key + mail.subject


def test_the_same_person_hears_by_the_other_way(journal: Journal, clock: FakeClock) -> None:
    """Who has a chat that works is told there that their mail does not; where to mend a chat is said."""
    desk = Desk(journal, clock)
    desk.fail("hot", "maintainer-phone", channel="chat")
    told = desk.look()
    assert [row.recipient for row in told] == ["teacher@quillbrook.example", "maintainer@quillbrook.example"]
    assert "TRAYWARDEN_CHAT__URLS" in told[0].body


def test_once_in_24_hours_and_then_what_failed_meanwhile(journal: Journal, clock: FakeClock) -> None:
    """Each failure is named in exactly one report, over restarts too."""
    desk = Desk(journal, clock)
    desk.fail("one")
    assert len(desk.look()) == 2
    assert desk.look() == []
    clock.advance(hours=1)
    for key in ("two", "three"):
        desk.fail(key)
        assert desk.look() == []
    desk.restart()
    clock.advance(hours=22, minutes=59)
    assert desk.look() == []
    clock.advance(minutes=1)
    told = desk.look()
    assert len(told) == 2
    assert "- Subject of two\n- Subject of three\n" in told[0].body
    assert "Subject of one" not in told[0].body
    clock.advance(hours=48)
    desk.restart()
    assert desk.look() == []


def test_a_crash_before_the_commit_tells_it_after_the_start(journal: Journal, clock: FakeClock) -> None:
    """What was told is in the journal with the message that tells it, or neither is; the keys are the same."""
    desk = Desk(journal, clock)
    desk.fail("hot")
    lost = Batch()
    desk.dead.look(lost, clock())
    desk.restart()
    assert [row.key for row in desk.look()] == [row.key for row in lost.messages]
    desk.restart()
    assert desk.look() == []


def test_a_report_that_fails_is_not_reported(journal: Journal, clock: FakeClock) -> None:
    """Two dead addresses must not write to each other about each other for ever."""
    desk = Desk(journal, clock)
    desk.fail("hot")
    assert len(desk.look()) == 2
    with OutboxStore(journal.path) as outbox:
        while (found := outbox.take_next(clock())) is not None:
            outbox.mark_failed(found.id, clock(), GONE)
    desk.failed.set()
    assert desk.look() == []
    clock.advance(hours=25)
    desk.restart()
    assert desk.look() == []


def test_at_night_only_what_is_urgent_calls(journal: Journal, clock: FakeClock) -> None:
    """A medium failure at 23:00 is told at 07:00, with a later one; a high one at once."""
    clock.advance(hours=15)
    desk = Desk(journal, clock)
    desk.fail("medium", priority="medium")
    desk.fail("chat", "maintainer-phone", channel="chat")
    assert {row.subject for row in desk.look()} == {"Messages to maintainer do not get through (1 failed)"}
    clock.advance(hours=7, minutes=59)
    assert desk.look() == []
    clock.advance(minutes=1)
    told = desk.look()
    assert {(row.subject, row.priority) for row in told} == {
        ("Messages to teacher do not get through (1 failed)", "medium")
    }


def test_with_nobody_else_the_log_says_it_and_the_alarm_counts_it(journal: Journal, clock: FakeClock) -> None:
    """One person with one address: said once in the log; `mail-failing` sees the message as waiting for a day."""
    desk = Desk(journal, clock, replace(LAB, people=PEOPLE[:1]), chat=ChatAddresses())
    assert desk.dead.oldest_unsaid_ms(clock()) is None
    desk.fail("hot")
    failed_ms = clock()
    assert desk.look() == []
    assert desk.log == [f"messages to teacher do not get through, and nobody else is there to be told: {GONE}"]
    clock.advance(hours=23)
    assert desk.dead.oldest_unsaid_ms(clock()) == failed_ms
    clock.advance(hours=1)
    assert desk.dead.oldest_unsaid_ms(clock()) is None
    desk.restart()
    assert (desk.look(), len(desk.log)) == ([], 1)


def test_where_all_the_others_are_dead_too_the_alarm_counts_it(journal: Journal, clock: FakeClock) -> None:
    """Telling addresses that refuse everything tells nobody."""
    desk = Desk(journal, clock)
    for recipient, channel in ((p, "email") for p in (PEOPLE[0].email, PEOPLE[1].email)):
        desk.fail(f"to-{recipient}", recipient, channel=channel)
    desk.look()
    assert desk.dead.oldest_unsaid_ms(clock()) is None
    desk.fail("to-phone", "maintainer-phone", channel="chat")
    desk.look()
    assert desk.dead.oldest_unsaid_ms(clock()) == clock()


def test_the_common_chat_is_told_and_an_address_nobody_has_is_named_so(journal: Journal, clock: FakeClock) -> None:
    """A person taken out of lab.yaml while a message waited: said all the same."""
    chat = ChatAddresses(("json://chat.quillbrook.example/x",), ("class-chat",))
    desk = Desk(journal, clock, replace(LAB, people=()), chat)
    desk.fail("hot", "left@quillbrook.example")
    (told,) = desk.look()
    assert (told.channel, told.recipient) == ("chat", "class-chat")
    assert told.subject.startswith("Messages to somebody who is no longer in lab.yaml do not get through")


def test_two_roles_at_one_address_are_both_named(journal: Journal, clock: FakeClock) -> None:
    """And hear of it once by each other way."""
    people = (*PEOPLE, Person(role="second teacher", email=PEOPLE[0].email))
    desk = Desk(journal, clock, replace(LAB, people=people))
    desk.fail("hot")
    assert [row.subject for row in desk.look()] == [
        "Messages to teacher and second teacher do not get through (1 failed)"
    ] * 2


def test_a_clock_set_back_does_not_silence_it(journal: Journal, clock: FakeClock) -> None:
    """Told while the clock was a year ahead: a new failure is told now."""
    desk = Desk(journal, clock)
    clock.advance(hours=24 * 365)
    desk.fail("early")
    assert desk.look()
    clock.advance(hours=-24 * 365)
    desk.fail("real")
    told = desk.look()
    assert "- Subject of real\n" in told[0].body


def test_while_the_journal_cannot_be_read_it_waits(
    journal: Journal, clock: FakeClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The next turn looks again."""
    desk = Desk(journal, clock)
    desk.fail("hot")

    def stalled(_since_ms: int) -> list[object]:
        raise JournalStalled(journal.path, "the disk is full")

    monkeypatch.setattr(journal, "failed_messages", stalled)
    assert desk.look() == []
    monkeypatch.undo()
    assert len(desk.look()) == 2


def test_what_nobody_can_tell_counts_as_not_told(journal: Journal, clock: FakeClock) -> None:
    """A mail server that hangs up after each message: the others hear of it, and mail counts as waiting until a message
    is confirmed again."""
    desk = Desk(journal, clock)
    desk.fail("urgent", unconfirmed=True)
    (first, second) = desk.look()
    assert {first.subject, second.subject} == {"Messages to teacher may not get through (1 unconfirmed)"}
    assert "What they may not have heard:\n- Subject of urgent\n" in first.body
    assert desk.look() == []
    written_ms = clock()
    clock.advance(hours=2)
    assert journal.oldest_waiting_ms(clock() - 24 * 3_600_000) == written_ms
    with OutboxStore(journal.path) as outbox:
        while (found := outbox.take_next(clock())) is not None:
            outbox.mark_sent(found.id, clock())
    assert journal.oldest_waiting_ms(clock() - 24 * 3_600_000) is None
