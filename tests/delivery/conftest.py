"""What the message tests share: both outboxes, a mail server, a sender on a clock that stands still."""

import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import pytest

from collector.delivery.port import Carrier, Outbox
from collector.delivery.sender import Sender
from collector.delivery.servers import MailServer
from tests.delivery.outboxes import FilledOutbox, JournalOutbox, MemoryOutbox
from tests.letters.examples import NOW
from tests.services.certificates import Authority
from tests.services.clock import FakeClock
from tests.services.log_lines import log_to
from tests.services.smtp_server import SmtpServer

MakeSender = Callable[[Outbox, Mapping[str, Carrier]], Sender]


@pytest.fixture(params=["memory", "journal"])
def outbox(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[FilledOutbox]:
    """An empty outbox: the one in memory, then the journal's."""
    made: FilledOutbox = MemoryOutbox() if request.param == "memory" else JournalOutbox(tmp_path / "traywarden.db")
    yield made
    made.close()


@pytest.fixture
def clock() -> FakeClock:
    """Monday 10:20 at Quillbrook, until it is advanced."""
    return FakeClock(NOW)


@pytest.fixture
def lines() -> list[str]:
    """What the sender logged."""
    return []


@pytest.fixture
def make_sender(clock: FakeClock, lines: list[str]) -> MakeSender:
    """A sender on the standing clock, always at the longest jitter."""

    def make(outbox: Outbox, channels: Mapping[str, Carrier]) -> Sender:
        return Sender(outbox, channels, clock, threading.Event(), log_to(lines), jitter=lambda: 1.0)

    return make


@pytest.fixture
def server() -> Iterator[SmtpServer]:
    """A plain mail server."""
    with SmtpServer() as running:
        yield running


@pytest.fixture(scope="session")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    """Signs the certificates of the mail servers."""
    return Authority(tmp_path_factory.mktemp("authority"))


def settings_for(server: SmtpServer, **changes: object) -> MailServer:
    """How to reach a test server; plain unless told otherwise, and quick to lose patience."""
    usual: dict[str, object] = {
        "host": server.host,
        "port": server.port,
        "security": "none",
        "sender": "Traywarden <traywarden@quillbrook.example>",
        "timeout_s": 5.0,
        "last_answer_s": 5.0,
    }
    return MailServer(**(usual | changes))  # type: ignore[arg-type]
