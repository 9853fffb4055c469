"""A far end that is none, or that never comes to an end: nothing is taken for sent, nothing held without bound."""

import socket
import time
import tracemalloc
from collections.abc import Callable

import pytest

from collector.uplink.destination import Destination
from collector.uplink.writer import InfluxWriter, Later
from tests.services.endless import Endless, bomb, dripped_body, dripped_head, endless, endless_body

LINE = "reading,lab=quillbrook value=21.5 1772438400000"
Talk = Callable[[Endless, socket.socket], None]


def tried(talk: Talk, timeout_s: float) -> tuple[str, float, int]:
    """What one write says, after how many seconds, and the most bytes held meanwhile."""
    with endless(talk) as server:
        writer = InfluxWriter(Destination(url=server.url, bucket="worms", timeout_s=timeout_s))
        tracemalloc.start()
        began_s = time.monotonic()
        with pytest.raises(Later) as caught:
            writer.write([LINE], 0)
        took_s = time.monotonic() - began_s
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        writer.close()
    return str(caught.value), took_s, most


@pytest.mark.parametrize("status", [200, 201, 202, 302])
def test_only_the_write_api_s_own_answer_counts(status: int) -> None:
    """A login page says 200, a proxy sends elsewhere: the lines wait, and a person is told which setting to look at."""

    def page(server: Endless, client: socket.socket) -> None:
        client.recv(65_536)
        body = b"<html>Please log in \xff</html>"
        head = f"HTTP/1.1 {status} Whatever\r\nLocation: /login\r\nContent-Length: {len(body)}\r\n\r\n"
        server.send(client, head.encode() + body)

    said, _, _ = tried(page, timeout_s=5)
    assert f"answered {status}" in said
    assert status == 302 or said.endswith("See TRAYWARDEN_UPLINK__URL")


@pytest.mark.parametrize("talk", [endless_body, bomb])
def test_an_answer_without_end_is_cut(talk: Talk) -> None:
    """Its first bytes say what is wrong; the rest is neither read nor unpacked."""
    said, took_s, most = tried(talk, timeout_s=10)
    assert "answered 200" in said
    assert took_s < 5
    assert most < 20_000_000


@pytest.mark.parametrize("talk", [dripped_body, dripped_head])
def test_an_answer_that_drips_is_given_up(talk: Talk) -> None:
    """At the deadline of the whole exchange, however often a byte comes."""
    said, took_s, _ = tried(talk, timeout_s=0.5)
    assert said.endswith("gave no answer in time")
    assert took_s < 5
