"""Whatever a server does, an answer takes no more than its bounds."""

import socket
import time
import tracemalloc
from collections.abc import Callable

import pytest

from collector.delivery.bounded import MOST_BYTES, Answer, Deadline, NoAnswer, Request, ask
from tests.services.endless import Endless, bomb, dripped_body, dripped_head, endless, endless_body, silent
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
        deadline.watch(here)
        assert there.recv(1) == b""
