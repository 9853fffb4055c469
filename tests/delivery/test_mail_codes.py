"""What becomes of a message for each answer of a mail server, command by command (RFC 5321 section 4.2.3, RFC 4954
section 6): 4xx waits, 5xx about the recipient or the text is for good, 5xx about us waits for the maintainer."""

import pytest

from collector.delivery.mail import MailCarrier
from tests.delivery.conftest import MakeSender, settings_for
from tests.delivery.outboxes import FilledOutbox, MemoryOutbox
from tests.letters.examples import Letter
from tests.services.clock import FakeClock
from tests.services.smtp_server import Command, SmtpServer

LAB = "Quillbrook School"
LATER = (
    "421 4.3.2 shutting down",
    "450 4.2.1 busy",
    "451 4.7.1 greylisted",
    "452 4.3.1 no room",
    "454 4.7.0 TLS first",
)
NEVER = ("550 5.1.1 no such mailbox", "551 5.1.6 moved", "552 5.2.2 full", "553 5.1.3 bad address", "554 5.7.1 refused")
OURS = ("530 5.7.0 log in first", "534 5.7.9 too weak", "535 5.7.8 wrong password")


@pytest.mark.parametrize("command", ["MAIL", "RCPT", "DATA"])
@pytest.mark.parametrize("answer", [*LATER, *NEVER, *OURS])
def test_each_answer_has_its_outcome(
    command: Command, answer: str, server: SmtpServer, make_sender: MakeSender
) -> None:  # fmt: skip
    """One try, the server's words in the reason, nothing taken by the server."""
    outbox = MemoryOutbox()
    outbox.put(Letter())
    server.answer(command, answer)
    make_sender(outbox, {"email": MailCarrier(settings_for(server), LAB)}).deliver_due()
    standing = outbox.standing(Letter().key)
    for_good = answer in NEVER and command != "MAIL"
    assert standing.state == ("failed" if for_good else "waiting")
    assert answer in standing.error
    assert server.accepted == []


def test_a_greylisted_person_holds_up_nobody(
    server: SmtpServer, outbox: FilledOutbox, make_sender: MakeSender, clock: FakeClock
) -> None:
    """Five messages to somebody greylisted cost one question; the other's goes in the same round, though it is less
    urgent; a minute later all five go, the urgent one first."""
    slow = [Letter(key=f"s{n}", recipient="slow@quillbrook.example", priority="medium") for n in range(4)]
    urgent = Letter(key="urgent", recipient="slow@quillbrook.example")
    outbox.put(*slow, urgent, Letter(key="other", recipient="teacher@quillbrook.example", priority="low"))
    server.refuse("slow@quillbrook.example", "451 4.7.1 greylisted, come back later")
    sender = make_sender(outbox, {"email": MailCarrier(settings_for(server), LAB)})
    assert sender.deliver_due() == 2
    assert [one.recipients for one in server.accepted] == [("teacher@quillbrook.example",)]
    server.refuse("slow@quillbrook.example", "250 OK")
    clock.advance(minutes=1)
    assert sender.deliver_due() == 5
    assert len(server.accepted) == 6
    assert [outbox.standing(one.key).state for one in (urgent, *slow)] == ["sent"] * 5
