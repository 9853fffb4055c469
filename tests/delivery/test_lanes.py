"""Two threads hand messages over: what holds up one way of reaching people holds up no other."""

import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from collector.config.log import UNHEARD
from collector.delivery.chat import ChatCarrier
from collector.delivery.lanes import Lanes
from collector.delivery.mail import MailCarrier
from collector.delivery.port import Carrier, OutboxRow, PermanentFailure
from collector.delivery.servers import ChatAddresses, MailServer
from tests.delivery.conftest import settings_for
from tests.delivery.outboxes import JournalOutbox
from tests.letters.examples import Letter
from tests.services.clock import FakeClock
from tests.services.endless import Endless, endless, silent
from tests.services.smtp_server import HANG, SmtpServer
from tests.services.waiting import wait_until


@dataclass
class Taker:
    """Takes everything, or nothing for good."""

    refuses: bool = False
    taken: list[str] = field(default_factory=list)

    def deliver(self, row: OutboxRow, before_data: Callable[[], None]) -> None:
        if self.refuses:
            raise PermanentFailure("nobody of that name")
        before_data()
        self.taken.append(row.key)


@pytest.fixture
def outbox(tmp_path: Path) -> JournalOutbox:
    return JournalOutbox(tmp_path / "traywarden.db")


def test_a_mail_server_that_hangs_does_not_keep_chat_waiting(
    outbox: JournalOutbox, clock: FakeClock, server: SmtpServer
) -> None:
    """The mail was handed over and no answer comes for minutes: the chat message goes meanwhile."""
    server.answer("DATA", HANG)
    outbox.put(Letter(key="mail", priority="medium"), Letter(key="chat", channel="chat", recipient="teacher-phone"))
    chat = Taker()
    mail = MailCarrier(settings_for(server, last_answer_s=2.0), "Quillbrook School")
    lanes = Lanes(outbox, {"email": mail, "chat": chat}, clock, UNHEARD)
    lanes.start()
    wait_until(lambda: outbox.standing("chat").state == "sent", "the chat message")
    wait_until(lambda: server.messages, "the mail at the server")
    assert outbox.standing("mail").state == "sending"
    server.stop()  # the connection ends, and with it the wait
    lanes.close()
    assert outbox.standing("mail").state == "unconfirmed"
    outbox.close()


def test_each_new_message_wakes_its_thread_and_each_failure_is_told(outbox: JournalOutbox, clock: FakeClock) -> None:
    """`wake` reaches both; `failed` says that there is something for the others to hear."""
    mail, chat = Taker(), Taker(refuses=True)
    lanes = Lanes(outbox, {"email": mail, "chat": chat}, clock, UNHEARD)
    lanes.start()
    for key in ("a", "b"):
        outbox.put(Letter(key=key))
        lanes.wake()
        wait_until(lambda key=key: key in mail.taken, key)  # type: ignore[misc]
    assert not lanes.failed.is_set()
    outbox.put(Letter(key="c", channel="chat", recipient="teacher-phone"))
    lanes.wake()
    assert lanes.failed.wait(10)
    assert outbox.standing("c").state == "failed"
    lanes.close()
    assert not [thread for thread in threading.enumerate() if thread.name in ("mail", "chat")]
    outbox.close()


def test_closing_what_was_never_started_is_nothing(outbox: JournalOutbox, clock: FakeClock) -> None:
    """A start that fails half way closes all the same."""
    Lanes(outbox, {}, clock, UNHEARD).close()
    outbox.close()


@pytest.mark.parametrize("way", ["email", "chat"])
def test_a_stop_waits_for_no_server(way: str, outbox: JournalOutbox, clock: FakeClock) -> None:
    """One that takes the message and never answers: the threads end in seconds, and what became of it is written."""

    def never(server: Endless, client: socket.socket) -> None:
        for answer in (b"220 hello", b"250 hello", b"250 sender", b"250 recipient", b"354 go on"):
            if way == "email":
                server.send(client, answer + b"\r\n")
            client.recv(65_536)
        silent(server, client)

    with endless(never) as server:
        carriers: dict[str, Carrier] = {
            "email": MailCarrier(MailServer(host="127.0.0.1", port=server.port, security="none"), "Quillbrook School"),
            "chat": ChatCarrier(ChatAddresses((f"json://127.0.0.1:{server.port}/",), ("phone",))),
        }
        recipient = {"chat": "phone", "email": "teacher@quillbrook.example"}[way]
        outbox.put(Letter(key="one", priority="medium", channel=way, recipient=recipient))
        lanes = Lanes(outbox, carriers, clock, UNHEARD)
        lanes.start()
        wait_until(lambda: outbox.standing("one").state == "sending", "the message on its way", 20)
        began_s = time.monotonic()
        lanes.close()
        assert time.monotonic() - began_s < 8
    assert outbox.standing("one").state == "unconfirmed"
    outbox.close()
