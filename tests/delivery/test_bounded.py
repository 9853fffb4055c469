"""Whatever a server does, an answer takes no more than its bounds."""

import socket
import threading
import time
import tracemalloc
from collections.abc import Callable

import pytest

from collector.delivery.bounded import MOST_BYTES, Answer, Deadline, NoAnswer, Request, ask, give_up
from tests.services.endless import OK, Endless, bomb, dripped_body, dripped_head, endless, endless_body, silent
from tests.services.free_port import free_port

Talk = Callable[[Endless, socket.socket], None]


def measured(request: Request) -> tuple[Answer | NoAnswer, float, int]:
    """What came of it, after how many seconds, and the most bytes that were held meanwhile."""
    tracemalloc.start()
    began_s = time.monotonic()
    try:
        came: Answer | NoAnswer = ask(request)
    except NoAnswer as error:
        came = error
    took_s = time.monotonic() - began_s
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return came, took_s, most


@pytest.mark.parametrize("talk", [endless_body, bomb])
def test_a_body_without_end_is_cut(talk: Talk) -> None:
    """The first 64 KiB are kept, the rest is neither read nor unpacked."""
    with endless(talk) as server:
        came, took_s, most = measured(Request(method="GET", url=server.url, deadline_s=10))
    assert isinstance(came, Answer)
    assert (came.status, came.cut, len(came.body)) == (200, True, MOST_BYTES)
    assert took_s < 5
    assert most < 20_000_000


@pytest.mark.parametrize("talk", [dripped_body, dripped_head, silent])
def test_an_answer_that_drips_ends_at_the_deadline(talk: Talk) -> None:
    """A byte now and then keeps nobody waiting beyond it."""
    with endless(talk) as server:
        came, took_s, _ = measured(Request(method="POST", url=server.url, body=b"1", deadline_s=0.5))
    assert isinstance(came, NoAnswer)
    assert str(came) == "gave no answer in time"
    assert 0.4 < took_s < 5


def test_nobody_there_is_said() -> None:
    """In one line, without the address."""
    with pytest.raises(NoAnswer, match=r"^cannot be reached \(\w+\)$"):
        ask(Request(method="GET", url=f"http://127.0.0.1:{free_port()}/secret"))


def test_a_deadline_shuts_what_is_given_to_it_late() -> None:
    """A socket that is watched only after the deadline is shut at once."""
    here, there = socket.socketpair()
    with here, there, Deadline(0.01) as deadline:
        end_s = time.monotonic() + 5
        while not deadline.passed and time.monotonic() < end_s:
            time.sleep(0.005)
        deadline.watch_socket(here)
        assert there.recv(1) == b""


def test_another_address_is_asked_as_often_as_said() -> None:
    """An answer that names another place is followed within the same deadline, or given as it is."""

    def away(server: Endless, client: socket.socket) -> None:
        asked = client.recv(65_536).split()[1]
        place = b"/there" if asked != b"/there" else b""
        head = b"HTTP/1.1 302 Found\r\nLocation: " + place if place else b"HTTP/1.1 204 No Content"
        server.send(client, head + b"\r\nContent-Length: 0\r\n\r\n")

    with endless(away) as server:
        statuses = [ask(Request(method="GET", url=server.url, redirects=n)).status for n in (0, 1, 3)]
    assert statuses == [302, 204, 204]


def test_one_that_says_it_is_packed_and_is_not() -> None:
    """Stays as it came."""

    def false(server: Endless, client: socket.socket) -> None:
        client.recv(65_536)
        server.send(client, OK + b"Content-Encoding: gzip\r\nContent-Length: 5\r\n\r\nplain")

    with endless(false) as server:
        assert ask(Request(method="GET", url=server.url)).body == b"plain"


def test_what_a_thread_waits_for_can_be_given_up() -> None:
    """A stop waits for no server; the waits of other threads go on."""
    said: list[str] = []

    def wait(url: str) -> None:
        try:
            ask(Request(method="GET", url=url, deadline_s=20))
        except NoAnswer as error:
            said.append(str(error))

    with endless(silent) as server, endless(silent) as other:
        threads = [threading.Thread(target=wait, args=(one.url,)) for one in (server, other)]
        for thread in threads:
            thread.start()
        began_s = time.monotonic()
        while threads[0].is_alive() and time.monotonic() < began_s + 10:
            give_up(threads[0])
            threads[0].join(0.05)
        assert said == ["gave no answer in time"]
        assert threads[1].is_alive()
        give_up(threads[1])
        threads[1].join(10)
