"""Mail servers whose answers have no end cost a session what its bounds say, and the message waits."""

import socket
import time
import tracemalloc
from collections.abc import Callable

import pytest

from collector.delivery.mail import MailCarrier
from collector.delivery.port import TemporaryFailure
from collector.delivery.servers import MailServer
from tests.letters.examples import Letter
from tests.services.endless import Endless, endless, silent

Talk = Callable[[Endless, socket.socket], None]


def endless_banner(server: Endless, client: socket.socket) -> None:
    """A greeting whose lines always say that more is to come (RFC 5321 section 4.2.1)."""
    server.flood(client, b"220-welcome to a server that likes to talk\r\n" * 1_000)


def endless_line(server: Endless, client: socket.socket) -> None:
    """A greeting of one line without an end."""
    server.flood(client, b"220 " + b"w" * 65_536)


def endless_features(server: Endless, client: socket.socket) -> None:
    """A greeting as it should be, then features without end."""
    server.send(client, b"220 good day\r\n")
    client.recv(4_096)
    server.flood(client, b"250-X-ONE-MORE\r\n" * 1_000)


def dripped_banner(server: Endless, client: socket.socket) -> None:
    """A byte of a greeting now and then."""
    server.drip(client, b"220-")


def tried(talk: Talk, session_s: float) -> tuple[str, float, int]:
    """What is said of one delivery, after how many seconds, and the most bytes held meanwhile."""
    with endless(talk) as server:
        settings = MailServer(host="127.0.0.1", port=server.port, security="none", session_s=session_s)
        tracemalloc.start()
        began_s = time.monotonic()
        with pytest.raises(TemporaryFailure) as caught:
            MailCarrier(settings, "Quillbrook School").deliver(Letter(), lambda: None)
        took_s = time.monotonic() - began_s
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    return str(caught.value).partition(": ")[2], took_s, most


@pytest.mark.parametrize("talk", [endless_banner, endless_features, endless_line])
def test_an_answer_without_end_is_given_up(talk: Talk) -> None:
    """After 64 KiB of one answer, whatever its lines promise; nothing was delivered, so it is tried again later."""
    said, took_s, most = tried(talk, session_s=30)
    assert said.partition(";")[0] in ("gave an answer without end", "it said 500 Line too long.")
    assert took_s < 10
    assert most < 10_000_000


@pytest.mark.parametrize("talk", [dripped_banner, silent])
def test_a_session_ends_at_its_deadline(talk: Talk) -> None:
    """However often a byte comes, the lane is free again for other people's messages."""
    said, took_s, _ = tried(talk, session_s=0.5)
    assert said.partition(";")[0] == "gave no answer in time"
    assert took_s < 5
