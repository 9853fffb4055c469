"""How each recipient fares, as `status` shows it, and what was given up, as the others are told of it."""

from dataclasses import replace
from pathlib import Path

from collector.store.batch import Batch
from collector.store.outbox import OutboxStore
from collector.store.reader import Reader
from collector.store.tables.recipients import FailedMessage, Recipient
from tests.store.samples import T0, message, opened

TEACHER, GONE = "teacher@quillbrook.example", "gone@quillbrook.example"


def test_each_recipient_has_its_counts_and_its_last_trouble(tmp_path: Path) -> None:
    """By channel and address; a success later does not hide what still waits or failed."""
    with opened(tmp_path) as journal:
        rows = [message(key) for key in ("a", "b", "c", "d", "e")]
        rows += [replace(message("f"), recipient=GONE), replace(message("g"), recipient="phone", channel="chat")]
        journal.commit(Batch(messages=rows), T0)
        with OutboxStore(journal.path) as outbox:
            for number, at in ((1, T0 + 5), (2, T0 + 9)):
                outbox.mark_sent(number, at)
            outbox.mark_waiting(3, T0 + 60, "451 later")
            outbox.mark_unconfirmed(4, T0 + 9, "no answer came")
            outbox.mark_failed(6, T0 + 9, "550 no such mailbox")
            outbox.mark_sending(5)
            with Reader(journal.path) as reader:
                found = reader.recipients()
    assert found == [
        Recipient(
            channel="chat",
            recipient="phone",
            waiting=1,
            sent=0,
            failed=0,
            unconfirmed=0,
            delivered_ms=None,
            last_error="",
        ),
        Recipient(
            channel="email",
            recipient=GONE,
            waiting=0,
            sent=0,
            failed=1,
            unconfirmed=0,
            delivered_ms=None,
            last_error="550 no such mailbox",
        ),
        Recipient(
            channel="email",
            recipient=TEACHER,
            waiting=2,
            sent=2,
            failed=0,
            unconfirmed=1,
            delivered_ms=T0 + 9,
            last_error="no answer came",
        ),
    ]


def test_what_was_given_up_is_found_without_reports_of_it(tmp_path: Path) -> None:
    """Else a report that fails would be reported."""
    with opened(tmp_path) as journal:
        journal.commit(Batch(messages=[message("a"), message("dead-123"), message("b"), message("c")]), T0)
        with OutboxStore(journal.path) as outbox:
            for number in (1, 2, 3):
                outbox.mark_failed(number, T0 + number, "550 no such mailbox")
            outbox.mark_unconfirmed(4, T0 + 4, "no answer came")
        assert [one.unconfirmed for one in journal.failed_messages(T0 + 4)] == [True]
        assert journal.failed_messages(T0 + 2)[:1] == [
            FailedMessage(
                id=3,
                channel="email",
                recipient=TEACHER,
                priority="high",
                subject="Too hot",
                error="550 no such mailbox",
                created_ms=T0,
                failed_ms=T0 + 3,
                unconfirmed=False,
            )
        ]
