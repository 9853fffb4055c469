"""Real connections that ask slowly, in part or not at all: nobody else waits for them, and none lasts."""

import select
import socket
import time
from collections.abc import Iterator
from contextlib import suppress

import pytest
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from collector.board.connections import MOST_AT_ONCE
from tests.board.served import Served
from tests.services.waiting import wait_until

WITHIN_S = 0.6


async def _front(_request: Request) -> Response:
    return PlainTextResponse("good day")


async def _read(request: Request) -> Response:
    with suppress(ClientDisconnect):
        await request.body()
    return PlainTextResponse("read")


def app() -> Starlette:
    return Starlette(routes=[Route("/", _front), Route("/read", _read, methods=["POST"])])


@pytest.fixture
def patient() -> Iterator[Served]:
    """Gives each connection far longer than a test takes."""
    with Served(app(), answered_within_s=60.0) as served:
        yield served


@pytest.fixture
def brisk() -> Iterator[Served]:
    with Served(app(), answered_within_s=WITHIN_S) as served:
        yield served


def connect(served: Served, said: bytes = b"", host: str = "127.0.0.1") -> socket.socket:
    made = socket.create_connection(("127.0.0.1", served.port), 5, source_address=(host, 0))
    made.sendall(said)
    return made


def ended(line: socket.socket) -> bool:
    """Whether the server has ended it; what it sent before is read."""
    while select.select([line], [], [], 0)[0]:
        try:
            if not line.recv(4096):
                return True
        except ConnectionResetError:
            return True
    return False


HALF = {
    "nothing": b"",
    "part of a head": b"GET / HTTP/1.1\r\nHost: x\r\nX-Slow: ",
    "a head and part of a body": b"POST /read HTTP/1.1\r\nHost: x\r\nContent-Length: 1000\r\n\r\nabc",
    "a body nobody reads": b"GET / HTTP/1.1\r\nHost: x\r\nContent-Length: 1000\r\n\r\n",
    "an answered request and then nothing": b"GET / HTTP/1.1\r\nHost: x\r\n\r\n",
    "an answered request and part of another": b"GET / HTTP/1.1\r\nHost: x\r\n\r\nGET / HT",
}


@pytest.mark.parametrize("said", HALF.values(), ids=HALF)
def test_however_many_connections_ask_nothing_whole_others_are_served(patient: Served, said: bytes) -> None:
    """Three times as many as are kept, each of them open as long as the server lets it: every page comes, with 200."""
    held = []
    try:
        for number in range(3 * MOST_AT_ONCE):
            held.append(connect(patient, said))
            if number % 30 == 0:
                assert patient.ask("GET", "/").status == 200
        for _ in range(5):
            answer = patient.ask("GET", "/")
            assert (answer.status, answer.text) == (200, "good day")
        assert sum(not ended(line) for line in held) <= MOST_AT_ONCE
    finally:
        for line in held:
            line.close()


@pytest.mark.parametrize("said", HALF.values(), ids=HALF)
@pytest.mark.parametrize("drip", [b"", b"a"], ids=["silent", "dripping"])
def test_no_connection_outlasts_its_time(brisk: Served, said: bytes, drip: bytes) -> None:
    """Silent, or with one byte after the other, which extends nothing."""
    line = connect(brisk, said)
    began = time.monotonic()

    def over() -> bool:
        if drip and not ended(line):
            try:
                line.sendall(drip)
            except OSError:
                return True
        return ended(line)

    wait_until(over, "the end of the connection", 5)
    assert time.monotonic() - began < 5 * WITHIN_S
    line.close()


def test_who_holds_many_makes_room_and_not_who_holds_one(patient: Served) -> None:
    """A phone that has opened its connection ahead keeps it while another host opens hundreds."""
    phone = connect(patient, b"GET / HTTP/1.1\r\n", "127.0.0.2")
    many = [connect(patient, HALF["part of a head"]) for _ in range(3 * MOST_AT_ONCE)]
    phone.sendall(b"Host: x\r\nConnection: close\r\n\r\n")
    phone.settimeout(5)
    assert phone.recv(4096).startswith(b"HTTP/1.1 200 OK")
    for line in (phone, *many):
        line.close()


def test_a_connection_in_use_stays(brisk: Served) -> None:
    """A browser that keeps one open and asks again and again is not cut off: each answer gives it the time anew."""
    line = connect(brisk)
    line.settimeout(5)
    began = time.monotonic()
    while time.monotonic() - began < 2 * WITHIN_S:
        line.sendall(HALF["an answered request and then nothing"])
        answer = b""
        while not answer.endswith(b"good day"):
            answer += line.recv(4096)
            assert answer  # it has not been ended
        time.sleep(WITHIN_S / 10)
    line.close()
