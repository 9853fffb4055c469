"""The outbox as the sending thread uses it, beside a collector that writes."""

import sqlite3
import threading
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from collector.store.batch import Batch
from collector.store.errors import StoreError
from collector.store.journal import Journal
from collector.store.outbox import OutboxMessage, OutboxStore
from collector.store.reader import Reader
from tests.store.samples import MINUTE, T0, message, opened


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    """A closed journal with three messages of each priority, the low ones oldest."""
    with opened(tmp_path) as made:
        made.commit(
            Batch(
                messages=[
                    message(f"{priority}-{n}", T0 + age + n, priority)
                    for age, priority in ((0, "low"), (10, "medium"), (20, "high"))
                    for n in range(3)
                ]
            ),
            T0 + 100,
        )
    return made


def put_for(recipient: str, key: str, journal: Journal, channel: str = "email") -> None:
    new = replace(message(key, T0 + 50, "low"), recipient=recipient, channel=channel)
    with Journal(journal.path, "UTC", T0) as opened_again:
        opened_again.commit(Batch(messages=[new]), T0 + 50)


def next_of(outbox: OutboxStore, now_ms: int) -> OutboxMessage:
    found = outbox.take_next(now_ms)
    assert found is not None
    return found


def test_messages_go_by_priority_then_age(journal: Journal) -> None:
    """High before medium before low, and the oldest of each first."""
    order = []
    with OutboxStore(journal.path) as outbox:
        while (found := outbox.take_next(T0 + 100)) is not None:
            outbox.mark_sending(found.id)
            outbox.mark_sent(found.id, T0 + 200)
            order.append(found.key)
    assert order == [f"{priority}-{n}" for priority in ("high", "medium", "low") for n in range(3)]
    with Reader(journal.path) as reader:
        assert reader.outbox_counts()["sent"] == 9


def test_a_message_waits_for_its_next_try(journal: Journal) -> None:
    """Put back, it is not due before its time, keeps its error and counts its tries; others go meanwhile."""
    with OutboxStore(journal.path) as outbox:
        first = next_of(outbox, T0 + 100)
        outbox.mark_sending(first.id)
        outbox.mark_waiting(first.id, T0 + MINUTE, "connection refused")
        assert next_of(outbox, T0 + 100).key == "high-1"
        again = next_of(outbox, T0 + MINUTE)
        assert (again.key, again.attempts, again.last_error) == ("high-0", 1, "connection refused")
        assert outbox.next_due_ms() == T0


def test_a_recipient_that_failed_for_now_waits_with_all_its_messages(journal: Journal) -> None:
    """Nine messages to one slow mailbox cost one try, not nine, before the others have their turn; each keeps its own
    count, and a new one for it, which may be urgent, is tried at once."""
    put_for("maintainer@quillbrook.example", "other", journal)
    with OutboxStore(journal.path) as outbox:
        first = next_of(outbox, T0 + 100)
        outbox.mark_sending(first.id)
        outbox.mark_waiting(first.id, T0 + MINUTE, "450 greylisted", True)
        other = next_of(outbox, T0 + 100)
        outbox.mark_sending(other.id)
        outbox.mark_sent(other.id, T0 + 100)
        assert (other.key, outbox.take_next(T0 + 100)) == ("other", None)
        put_for(first.recipient, "new", journal)
        assert next_of(outbox, T0 + 100).key == "new"
        assert [row.attempts for row in (next_of(outbox, T0 + MINUTE),)] == [1]


def test_chat_and_the_rest_are_asked_for_apart(journal: Journal) -> None:
    """Two threads share the outbox, and neither sees what is the other's."""
    put_for("teacher-phone", "chat-1", journal, channel="chat")
    with OutboxStore(journal.path) as outbox:
        found = outbox.take_next(T0 + 100, True)
        assert found is not None
        assert (found.key, outbox.next_due_ms(True)) == ("chat-1", T0 + 50)
        outbox.mark_failed(found.id, T0 + 100, "no longer there")
        assert (outbox.take_next(T0 + 100, True), outbox.next_due_ms(True)) == (None, None)
        rest = outbox.take_next(T0 + 100, False)
        assert rest is not None
        assert rest.key == "high-0"


def test_a_restart_tries_waiting_messages_at_once(journal: Journal) -> None:
    """Someone may have started the program anew because the mail works again: no message waits out its next try."""
    with OutboxStore(journal.path) as outbox:
        first = next_of(outbox, T0 + 100)
        outbox.mark_sending(first.id)
        outbox.mark_waiting(first.id, T0 + 100 * MINUTE, "connection refused")
    with OutboxStore(journal.path) as outbox:
        again = next_of(outbox, T0 + 100)
        assert (again.key, again.attempts) == ("high-0", 1)


def test_given_up_is_kept_with_its_reason(journal: Journal) -> None:
    """Failed and unconfirmed messages are not taken again, and are counted."""
    with OutboxStore(journal.path) as outbox:
        one, two = next_of(outbox, T0 + 100), None
        outbox.mark_failed(one.id, T0 + 5, "no such mailbox")
        two = next_of(outbox, T0 + 100)
        outbox.mark_unconfirmed(two.id, T0 + 6, "cut off after the data")
        assert next_of(outbox, T0 + 100).key == "high-2"
    with Reader(journal.path) as reader:
        counts = reader.outbox_counts()
    assert (counts["failed"], counts["unconfirmed"], counts["waiting"]) == (1, 1, 7)
    with closing(sqlite3.connect(journal.path)) as db:
        assert db.execute("SELECT last_error, settled_ms FROM outbox WHERE state = 'failed'").fetchall() == [
            ("no such mailbox", T0 + 5)
        ]


def test_what_was_being_sent_in_a_crash_is_unconfirmed(journal: Journal) -> None:
    """A message that may have gone out is not sent again by itself."""
    with OutboxStore(journal.path) as outbox:
        outbox.mark_sending(next_of(outbox, T0 + 100).id)
        assert outbox.unconfirmed_at_open == 0
    with OutboxStore(journal.path) as outbox:
        assert outbox.unconfirmed_at_open == 1
        assert next_of(outbox, T0 + 100).key == "high-1"
    with Reader(journal.path) as reader:
        assert reader.outbox_counts()["unconfirmed"] == 1


def test_nothing_waiting_is_none(tmp_path: Path) -> None:
    """An empty outbox has no next message and no time to wait for; a new one is found as soon as it is committed."""
    with opened(tmp_path) as journal, OutboxStore(journal.path) as outbox:
        assert outbox.take_next(T0) is None
        assert outbox.next_due_ms() is None
        journal.commit(Batch(messages=[message("a")]), T0)
        assert outbox.next_due_ms() == T0


def test_a_lock_held_for_a_moment_is_waited_for(journal: Journal) -> None:
    """While another connection holds the write lock, marking waits, and succeeds when it is let go."""
    with OutboxStore(journal.path) as outbox, closing(
        sqlite3.connect(journal.path, isolation_level=None, check_same_thread=False)
    ) as other:  # fmt: skip
        number = next_of(outbox, T0 + 100).id
        other.execute("BEGIN IMMEDIATE")
        started = threading.Event()

        def mark() -> None:
            started.set()
            outbox.mark_sending(number)

        worker = threading.Thread(target=mark)
        worker.start()
        started.wait(10)
        worker.join(0.1)
        assert worker.is_alive()
        other.execute("COMMIT")
        worker.join(10)
        assert not worker.is_alive()
        assert next_of(outbox, T0 + 100).id != number


def test_an_outbox_needs_the_journal(tmp_path: Path) -> None:
    """Without a database, the outbox names the file and does not make it."""
    with pytest.raises(StoreError, match="not there"):
        OutboxStore(tmp_path / "traywarden.db")
    assert list(tmp_path.iterdir()) == []
