"""A process that hands one message after another to a server and is killed at each step of it in turn.

    python -m tests.delivery.sending DATABASE CHANNEL PORT

Steps are before and after every mark in the outbox, everything sent and every answer read. For each step a message is
put into the outbox, a child hands it over and kills itself there, and another child does what a new start would do. For
each message a line says its key, the step, and its state in the end. Ends with the step that no hand-over reaches.
"""

import os
import signal
import smtplib
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from collector.delivery.chat import ChatCarrier, Child
from collector.delivery.mail import MailCarrier
from collector.delivery.port import Carrier
from collector.delivery.sender import Sender
from collector.delivery.servers import ChatAddresses, MailServer
from collector.store.outbox import OutboxStore
from tests.delivery.outboxes import JournalOutbox
from tests.letters.examples import NOW, Letter

CHAT = "teacher-phone"


class Steps:
    """Counts the steps of this process and kills it at one of them; what it was is written down before."""

    def __init__(self, kill_at: int, note: Path) -> None:
        self._left = kill_at
        self._note = note

    def step(self, name: str) -> None:
        self._left -= 1
        if self._left == 0:
            self._note.write_text(name, encoding="utf-8")
            os.kill(os.getpid(), signal.SIGKILL)

    def around(self, owner: Any, name: str) -> None:
        """Make a method of a class a step at its begin and at its end."""
        method: Callable[..., Any] = getattr(owner, name)

        def stepped(*arguments: Any, **named: Any) -> Any:
            self.step(f"before {name}")
            result = method(*arguments, **named)
            self.step(f"after {name}")
            return result

        setattr(owner, name, stepped)


def hand_over(database: Path, channel: str, port: int, kill_at: int) -> None:
    """What one process does; ends by SIGKILL or in order."""
    steps = Steps(kill_at, database.with_suffix(".step"))
    for owner, names in (
        (OutboxStore, ("take_next", "mark_sending", "mark_sent")),
        (smtplib.SMTP, ("send", "getreply")),
        (Child, ("tell", "heard")),
    ):
        for name in names:
            steps.around(owner, name)
    ways: dict[str, Carrier] = {
        "email": MailCarrier(MailServer(host="127.0.0.1", port=port, security="none"), "Quillbrook School"),
        "chat": ChatCarrier(ChatAddresses((f"json://127.0.0.1:{port}/",), (CHAT,))),
    }
    with OutboxStore(database) as outbox:
        Sender(outbox, {channel: ways[channel]}, lambda: NOW, threading.Event()).deliver_due()


def in_child(database: Path, channel: str, port: int, kill_at: int) -> bool:
    """Whether the child came to its end."""
    child = os.fork()
    if child == 0:
        hand_over(database, channel, port, kill_at)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


def main(database: Path, channel: str, port: int) -> None:
    recipient = CHAT if channel == "chat" else "teacher@quillbrook.example"
    kill_at, whole = 1, False
    while not whole:
        key = f"{channel}-{kill_at}"
        outbox = JournalOutbox(database)
        outbox.put(Letter(key=key, subject=key, recipient=recipient, channel=channel))
        outbox.close()
        whole = in_child(database, channel, port, kill_at)
        in_child(database, channel, port, 0)
        outbox = JournalOutbox(database)
        step = "none" if whole else database.with_suffix(".step").read_text(encoding="utf-8")
        sys.stdout.write(f"{key}\t{step}\t{outbox.standing(key).state}\n")
        outbox.close()
        kill_at += 1


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]))
