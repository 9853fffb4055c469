"""kill -9 at every step of handing a message over: it arrives once, or at worst nobody can tell and it says so."""

import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import NamedTuple

import pytest

from collector.delivery.chat import ChatCarrier
from collector.delivery.port import Unconfirmed
from collector.delivery.servers import ChatAddresses
from tests.delivery.chat_service import chat_service
from tests.letters.examples import Letter
from tests.services.smtp_server import SmtpServer
from tests.services.waiting import wait_until


class Outcome(NamedTuple):
    key: str
    step: str
    state: str


def killed_everywhere(folder: Path, channel: str, port: int) -> list[Outcome]:
    command = [sys.executable, "-W", "ignore", "-m", "tests.delivery.sending"]
    done = subprocess.run(
        [*command, str(folder / "traywarden.db"), channel, str(port)],
        capture_output=True, text=True, timeout=150, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return [Outcome(*line.split("\t")) for line in done.stdout.splitlines()]


def judge(outcomes: list[Outcome], arrived: Counter[str]) -> None:
    """Never twice; sent means arrived; unconfirmed only between the mark 'sending' and the mark 'sent'."""
    for one in outcomes:
        assert one.state in ("sent", "unconfirmed"), one
        assert arrived[one.key] <= 1, one
        assert one.state == "unconfirmed" or arrived[one.key] == 1, one
    states = [one.state for one in outcomes]
    first, last = states.index("unconfirmed"), len(states) - 1 - states[::-1].index("unconfirmed")
    assert outcomes[first].step == "after mark_sending"
    assert outcomes[last].step == "before mark_sent"
    assert set(states[first : last + 1]) == {"unconfirmed"}
    assert outcomes[-1].step == "none"


def test_mail_killed_at_every_step(tmp_path: Path) -> None:
    """Against a real mail server, which keeps what came in whole whatever became of the sender."""
    with SmtpServer() as server:
        outcomes = killed_everywhere(tmp_path, "email", server.port)
        arrived = Counter(str(one.message["Subject"]) for one in server.accepted)
    assert {"before send", "after send", "before getreply", "after getreply"} < {one.step for one in outcomes}
    judge(outcomes, arrived)


@pytest.mark.slow
def test_chat_killed_at_every_step(tmp_path: Path) -> None:
    """Against a web server that takes chat messages. What a killed sender had told its process to send may still go."""
    with chat_service() as service:
        outcomes = killed_everywhere(tmp_path, "chat", service.server_address[1])
        wait_until(lambda: len(service.posts) == service.calls, "every message that was begun to arrive")
        arrived = Counter(post["title"] for post in service.posts)
    assert {"before tell", "after tell", "before heard", "after heard"} < {one.step for one in outcomes}
    judge(outcomes, arrived)


@pytest.mark.parametrize("step", ["before send", "after send", "before getresponse", "after getresponse"])
def test_chat_whose_own_process_is_killed(step: str) -> None:
    """At each step of the message on its way: it may have arrived, and it is not sent again."""
    program = (
        "import http.client, os, signal, sys\n"
        "when, name = sys.argv[1].split()\n"
        "true = getattr(http.client.HTTPConnection, name)\n"
        "def stepped(*places, **more):\n"
        "    if when == 'before': os.kill(os.getpid(), signal.SIGKILL)\n"
        "    true(*places, **more)\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
        "setattr(http.client.HTTPConnection, name, stepped)\n"
        "from collector.delivery.chat_child import main\n"
        "main()\n"
    )
    marked: list[bool] = []
    with chat_service() as service:
        url = f"json://127.0.0.1:{service.server_address[1]}/"
        carrier = ChatCarrier(ChatAddresses((url,), ("phone",)), command=[sys.executable, "-c", program, step])
        with pytest.raises(Unconfirmed):
            carrier.deliver(Letter(channel="chat", recipient="phone"), lambda: marked.append(True))
        assert len(service.posts) <= 1
    assert marked == [True]
