"""Mail handed to a real server: once, whatever happens on the way, and each trouble told in one clear line."""

from collections import Counter
from dataclasses import replace

import pytest

from collector.delivery.mail import MailCarrier, build_message, probe_mail, send
from collector.delivery.port import NotDelivered, PermanentFailure, TemporaryFailure, Unconfirmed
from collector.delivery.servers import MailServer
from tests.delivery.conftest import MakeSender, settings_for
from tests.delivery.odd_servers import LineByLine
from tests.delivery.outboxes import FilledOutbox
from tests.letters.examples import Letter
from tests.services.certificates import Authority
from tests.services.clock import FakeClock
from tests.services.smtp_server import DROP, HANG, SmtpServer

LAB = "Quillbrook School"
USERS = {"collector": "p4ss-word"}


def to(recipient: str) -> Letter:
    return Letter(key=f"bedding-hot-3-1-raised-{recipient}", recipient=f"{recipient}@quillbrook.example")


def mail(server: SmtpServer, **changes: object) -> dict[str, MailCarrier]:
    return {"email": MailCarrier(settings_for(server, **changes), LAB)}


def test_the_alert_arrives_once(server: SmtpServer, outbox: FilledOutbox, make_sender: MakeSender) -> None:
    """From the outbox to the server: the text as rendered, to the one recipient, from the sender, once."""
    outbox.put(to("teacher"))
    sender = make_sender(outbox, mail(server))
    sender.deliver_due()
    sender.deliver_due()
    (received,) = server.messages
    assert (received.sender, received.recipients) == (
        "traywarden@quillbrook.example",
        ("teacher@quillbrook.example",),
    )
    assert received.message["Subject"] == Letter().subject
    assert received.message.get_content().replace("\r\n", "\n") == Letter().body
    assert outbox.standing(to("teacher").key).state == "sent"


def test_down_for_a_while_then_up_still_once(
    server: SmtpServer, outbox: FilledOutbox, make_sender: MakeSender, clock: FakeClock
) -> None:
    """While nothing listens the alert waits with its reason; when the server is back it arrives, once."""
    outbox.put(to("teacher"))
    sender = make_sender(outbox, mail(server))
    server.stop()
    for _ in range(4):
        sender.deliver_due()
        standing = outbox.standing(to("teacher").key)
        assert standing.state == "waiting"
        assert "refused the connection; nothing listens there" in standing.error
        clock.advance(ms=standing.next_ms - clock())
    server.start()
    for _ in range(3):
        sender.deliver_due()
        clock.advance(hours=1)


def test_451_then_250(
    server: SmtpServer, outbox: FilledOutbox, make_sender: MakeSender, clock: FakeClock
) -> None:  # fmt: skip
    """A server that asks to come back later is asked again, and takes it once."""
    outbox.put(to("teacher"))
    server.answer("DATA", "451 4.3.0 try again later")
    sender = make_sender(outbox, mail(server))
    sender.deliver_due()
    assert outbox.standing(to("teacher").key).error.endswith("did not take the message: 451 4.3.0 try again later")
    clock.advance(minutes=1)
    sender.deliver_due()
    assert [received.answer for received in server.messages] == ["451 4.3.0 try again later", "250 OK"]
    assert outbox.standing(to("teacher").key).state == "sent"


@pytest.mark.parametrize("command", ["RCPT", "DATA"])
def test_550_fails_at_once_and_the_others_get_theirs(
    command: str, server: SmtpServer, outbox: FilledOutbox, make_sender: MakeSender
) -> None:
    """A mailbox that does not exist, or a text refused for good, is one person's failure, with the server's words."""
    outbox.put(to("gone"), to("teacher"))
    if command == "RCPT":
        server.refuse("gone@quillbrook.example", "550 5.1.1 no such mailbox")
    else:
        server.answer("DATA", "550 5.1.1 no such mailbox")
    make_sender(outbox, mail(server)).deliver_due()
    standing = outbox.standing(to("gone").key)
    assert standing.state == "failed"
    assert standing.error.endswith("550 5.1.1 no such mailbox")
    assert [received.recipients for received in server.accepted] == [("teacher@quillbrook.example",)]


@pytest.mark.parametrize("answer", [DROP, HANG])
def test_no_answer_after_data_is_unconfirmed_and_only_what_is_urgent_goes_once_more(
    answer: str, server: SmtpServer, outbox: FilledOutbox, make_sender: MakeSender, clock: FakeClock
) -> None:
    """The text went out and the answer never came: it may have arrived, so nobody is told twice, but for what is
    urgent: that goes once more, under the same Message-ID, and no third time."""
    urgent, other = to("teacher"), Letter(key="soon", priority="medium", recipient="teacher@quillbrook.example")
    outbox.put(urgent, other)
    server.answer("DATA", *[answer] * 5)
    sender = make_sender(outbox, mail(server, last_answer_s=0.2))
    for _ in range(4):
        sender.deliver_due()
        clock.advance(hours=1)
    came = Counter(str(one.message["Message-ID"]) for one in server.messages)
    assert sorted(came.values()) == [1, 2]
    assert outbox.standing("soon").state == "unconfirmed"
    standing = outbox.standing(urgent.key)
    assert standing.state == "unconfirmed"
    how = "closed the connection" if answer == DROP else "gave no answer in time"
    assert standing.error.endswith(f"{how} after the message went out; it may have arrived")


@pytest.mark.parametrize("command", ["MAIL", "RCPT"])
@pytest.mark.parametrize("answer", [DROP, HANG])
def test_no_answer_before_data_is_safe_to_try_again(command: str, answer: str, server: SmtpServer) -> None:
    """The connection ends before the text went out: nothing was marked, and it waits."""
    server.answer("MAIL" if command == "MAIL" else "RCPT", answer)
    marked: list[bool] = []
    with pytest.raises(TemporaryFailure):
        send(
            build_message(Letter(), "t@quillbrook.example", LAB),
            settings_for(server, timeout_s=0.2),
            lambda: marked.append(True),
        )
    assert (marked, server.messages) == ([], [])


@pytest.mark.parametrize(
    ("answer", "failure"),
    [
        ("421 4.3.2 shutting down", TemporaryFailure),
        ("450 4.2.1 greylisted", TemporaryFailure),
        ("530 5.7.0 log in first", TemporaryFailure),
        ("552 5.2.2 mailbox full", PermanentFailure),
        ("554 5.7.1 refused", PermanentFailure),
    ],
)
def test_the_reply_code_decides(answer: str, failure: type[NotDelivered], server: SmtpServer) -> None:
    """4xx waits, 5xx about a recipient is for good; a login that is asked for (RFC 4954) is a setting to mend."""
    server.answer("RCPT", answer)
    with pytest.raises(failure, match=answer):
        MailCarrier(settings_for(server), LAB).deliver(Letter(), lambda: None)


def test_a_refused_sender_waits_for_the_maintainer(server: SmtpServer) -> None:
    """A sender the server does not like is a setting: everyone's messages wait rather than fail."""
    server.answer("MAIL", "553 5.7.1 not your address")
    with pytest.raises(TemporaryFailure, match="did not take the sender: 553 5\\.7\\.1 not your address"):
        MailCarrier(settings_for(server), LAB).deliver(Letter(), lambda: None)


def test_the_mark_comes_after_the_recipient_and_before_the_text(server: SmtpServer) -> None:
    """`before_data` is called when the server has accepted the recipient and has none of the text yet."""
    seen: list[int] = []
    MailCarrier(settings_for(server), LAB).deliver(Letter(), lambda: seen.append(len(server.messages)))
    assert (seen, len(server.messages)) == ([0], 1)


def test_a_mark_that_fails_sends_nothing(server: SmtpServer) -> None:
    """What `before_data` raises comes through as it is, even where it looks like trouble with the network."""

    def full() -> None:
        raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space left on device"):
        MailCarrier(settings_for(server), LAB).deliver(Letter(), full)
    assert server.messages == []


def test_lines_that_begin_with_a_dot_arrive_as_written(server: SmtpServer) -> None:
    """RFC 5321 section 4.5.2: no line of a text can end it early."""
    body = ".\n..\n.quit\nRSET\n.\nend\n"
    MailCarrier(settings_for(server), LAB).deliver(replace(Letter(), body=body), lambda: None)
    (received,) = server.messages
    assert received.message.get_content().replace("\r\n", "\n") == body


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_encrypted_and_logged_in(security: str, authority: Authority) -> None:
    """STARTTLS and TLS with a certificate from our own authority, a user name and a password."""
    files = authority.issue()
    with SmtpServer("tls" if security == "tls" else "starttls", files=files, users=USERS) as server:
        settings = settings_for(
            server, security=security, ca_file=str(files.ca_file), username="collector", password=USERS["collector"]
        )
        MailCarrier(settings, LAB).deliver(Letter(), lambda: None)
        assert len(server.accepted) == 1
        assert "answered 250 OK (TLSv1.3, logged in as collector)" in probe_mail(settings)
        assert len(server.messages) == 1


def test_probing_a_plain_server_says_that_nothing_is_encrypted(server: SmtpServer) -> None:
    """What `checkup` prints when all is well; no mail is sent for it."""
    assert probe_mail(settings_for(server)) == (
        f"mail server 127.0.0.1:{server.port} answered 250 OK (not encrypted, no login)"
    )
    assert server.messages == []


def test_an_unreadable_last_answer_is_unconfirmed() -> None:
    """Something that is no SMTP after the text went out may still mean that it was taken."""
    with LineByLine(b"220 hi", b"250 ok", b"250 ok", b"250 ok", b"354 go", b"what?") as port:
        settings = MailServer(host="127.0.0.1", port=port, security="none", sender="t@quillbrook.example", timeout_s=5)
        with pytest.raises(Unconfirmed, match="said something that is no SMTP after the message went out"):
            MailCarrier(settings, LAB).deliver(Letter(), lambda: None)
