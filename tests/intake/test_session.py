"""The conversation with brokers that behave oddly: each trouble is one clear line, and the session keeps trying."""

import select
import socket
import ssl
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

import pytest

from collector.intake.session import BrokerAccess, BrokerSession, LinkNews, LinkState, explain
from collector.intake.wake import Wake
from tests.intake.odd_brokers import (
    CONNECT,
    HANG_UP,
    PUBLISH,
    SUBSCRIBE,
    Answer,
    OddBroker,
    accepts,
    refuses,
    subscribed,
)
from tests.services.free_port import free_port
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until

Version = Literal["5", "3.1.1"]
BOTH = pytest.mark.parametrize("version", ["5", "3.1.1"])


class Monotonic:
    """Seconds that pass when told to."""

    def __init__(self) -> None:
        self.now_s = 1_000.0

    def __call__(self) -> float:
        return self.now_s


class Talk:
    """A session, its clock, and what came of it."""

    def __init__(self, port: int, version: Version = "5", wake: Wake | None = None, **options: Any) -> None:
        self.clock = Monotonic()
        self.news: list[LinkNews] = []
        self.got: list[tuple[str, bytes, int]] = []
        broker = BrokerAccess(
            host="127.0.0.1", port=port, topic="worms/#", client_id=f"quillbrook-{port}", version=version, **options
        )
        self.session = BrokerSession(broker, self._message, self.news.append, self.clock, wake=wake)

    def _message(self, message: Any) -> None:
        self.got.append((message.topic, bytes(message.payload), message.mid))

    @property
    def lines(self) -> list[str]:
        return [one.text for one in self.news]

    def until_news(self, number: int) -> None:
        """Pump until so many pieces of news have come."""
        wait_until(lambda: self.session.pump(0.02, 100) < 0 or len(self.news) >= number, f"{number} pieces of news")

    def pump_for(self, seconds: int) -> None:
        """Let time pass second by second, with what real traffic there is."""
        for _ in range(seconds):
            self.clock.now_s += 1
            self.session.pump(0.002, 100)


@contextmanager
def talk(port: int, version: Version = "5", **options: Any) -> Iterator[Talk]:
    one = Talk(port, version, **options)
    try:
        yield one
    finally:
        one.session.close()


def _answers(version: str, *, connack: bytes | None = None, suback: int = 1) -> Answer:
    def answer(kind: int, body: bytes) -> bytes:
        if kind == CONNECT:
            return accepts(version) if connack is None else connack
        return subscribed(version, body, suback) if kind == SUBSCRIBE else b""

    return answer


def test_something_that_takes_tcp_and_never_answers_is_one_line_and_tried_again() -> None:
    """A port that is no broker: said after 10 s, once an attempt, each attempt later than the one before."""
    with OddBroker() as odd, talk(odd.port) as one:
        one.pump_for(9)
        assert one.news == []
        one.pump_for(4)
        assert one.lines == [f"broker 127.0.0.1:{odd.port}: connected, but no MQTT answer within 10 s; is it a broker?"]
        assert one.news[0].link is LinkState.DOWN
        one.pump_for(60)
        assert 3 <= len(one.news) <= 6
        assert set(one.lines) == {one.lines[0]}


@BOTH
def test_a_subscription_that_is_not_allowed_is_one_line_an_attempt(version: Version) -> None:
    """Refused by the broker's access rules: the topic is named, no loss is told on top, and no rival is suspected."""
    code = 0x87 if version == "5" else 0x80
    with OddBroker(_answers(version, suback=code)) as odd, talk(odd.port, version) as one:
        for attempt in range(1, 6):
            one.until_news(attempt)
            assert len(one.news) == attempt
            assert one.news[-1].link is LinkState.REFUSED
            assert "does not let us read 'worms/#'" in one.lines[-1]
            assert one.lines[-1].endswith("check its access rules")
            one.clock.now_s += 61
        assert not one.session.up


@pytest.mark.parametrize(
    ("version", "code", "says"),
    [
        ("3.1.1", 4, "TRAYWARDEN_MQTT__PASSWORD"),
        ("3.1.1", 5, "TRAYWARDEN_MQTT__USERNAME"),
        ("5", 0x86, "TRAYWARDEN_MQTT__PASSWORD"),
        ("5", 0x87, "TRAYWARDEN_MQTT__PASSWORD"),
        ("5", 0x88, "refused us: server unavailable"),
        ("3.1.1", 3, "refused us: server unavailable"),
    ],
)
def test_a_refused_connection_says_why(version: Version, code: int, says: str) -> None:
    """MQTT's reasons in words; where it is about who we are, the settings are named."""
    with OddBroker(_answers(version, connack=refuses(version, code))) as odd, talk(odd.port, version) as one:
        one.until_news(1)
        assert one.news[0].link is LinkState.REFUSED
        assert says in one.lines[0]
        assert "\n" not in one.lines[0]


@BOTH
def test_an_ordinary_connection_is_up_once_subscribed(version: Version) -> None:
    """Up is told after the subscription, not before, with whether the broker had kept the session."""
    with OddBroker(_answers(version)) as odd, talk(odd.port, version) as one:
        one.until_news(1)
        assert one.news == [LinkNews(LinkState.UP, f"broker 127.0.0.1:{odd.port} connected, new session")]


def test_losing_the_connection_again_and_again_within_seconds_suggests_a_rival() -> None:
    """3.1.1 has no word for being pushed out: from the second quick loss on the line offers the likely cause."""

    def answer(kind: int, body: bytes) -> bytes:
        return accepts("3.1.1") if kind == CONNECT else HANG_UP

    with OddBroker(answer) as odd, talk(odd.port, "3.1.1") as one:
        one.until_news(1)
        assert "another program" not in one.lines[0]
        one.clock.now_s += 61
        one.until_news(2)
        assert "2 times within seconds" in one.lines[1]
        assert f"another program uses the client id 'quillbrook-{odd.port}'" in one.lines[1]


def test_a_connection_that_lasted_clears_the_suspicion() -> None:
    """A loss after a minute of good service is no quick loss, and the next attempt comes soon."""
    with OddBroker(_answers("3.1.1")) as odd, talk(odd.port, "3.1.1") as one:
        one.until_news(1)
        one.clock.now_s += 61
        odd.hang_up()
        one.until_news(2)
        assert one.news[1].link is LinkState.DOWN
        assert "times within seconds" not in one.lines[1]
        one.clock.now_s += 1.01
        one.until_news(3)
        assert (one.news[2].link, odd.connections) == (LinkState.UP, 2)


def test_pushed_out_under_mqtt_5_is_said_outright() -> None:
    """Session taken over (0x8E): another program has our client id."""

    def answer(kind: int, body: bytes) -> bytes:
        return accepts("5") if kind == CONNECT else subscribed("5", body) + b"\xe0\x02\x8e\x00"

    with OddBroker(answer) as odd, talk(odd.port) as one:
        one.until_news(2)
        assert "another program uses the client id" in one.lines[1]
        assert "TRAYWARDEN_MQTT__CLIENT_ID" in one.lines[1]


@pytest.mark.service
def test_a_message_that_would_fill_the_memory_is_not_sent_to_us(tmp_path: Path) -> None:
    """A broker without a bound of its own keeps two megabytes from us, and the next message comes."""
    with Mosquitto(tmp_path / "broker", settings=["message_size_limit 0"]) as broker, talk(broker.port) as one:
        one.until_news(1)
        broker.publish("worms/room/air", b"1" * 2_000_000)
        broker.publish("worms/room/air", "19.5")
        wait_until(lambda: one.session.pump(0.02, 100) < 0 or len(one.got) > 0, "a message")
        assert [payload for _, payload, _ in one.got] == [b"19.5"]


def test_attempts_come_ever_further_apart_up_to_a_minute_with_some_spread() -> None:
    """Nobody listens: the waits double from under a second to a minute at most, never all alike."""
    with talk(free_port()) as one:
        times: list[float] = []
        while len(times) < 14:
            known = len(one.news)
            one.session.pump(0, 1)
            if len(one.news) > known:
                times.append(one.clock.now_s)
            one.clock.now_s += 0.1
        waits = [later - earlier for earlier, later in pairwise(times)]
        assert waits[0] <= 1.2
        assert max(waits) <= 60.3
        assert min(waits[-5:]) >= 29.9
        assert len({round(wait, 1) for wait in waits[-5:]}) > 1
        assert set(one.lines) == {one.lines[0]}
        assert "nothing listens there" in one.lines[0]


def test_wake_ends_a_wait_at_once_and_is_harmless_after_the_end() -> None:
    """A signal handler may ring it at any time: a pump returns, many rings do not block, a closed one is deaf."""
    wake = Wake()
    one = Talk(free_port(), wake=wake)
    for _ in range(8):  # until the next attempt is half a minute away at least
        one.session.pump(0, 1)
        one.clock.now_s += 61
    one.session.pump(0, 1)
    for _ in range(100_000):
        wake.ring()
    began_s = time.monotonic()
    one.session.pump(30, 1)  # would hang for half a minute
    assert time.monotonic() - began_s < 20
    one.session.close()
    wake.close()
    wake.ring()
    one.session.close()


def test_a_wait_ends_when_it_was_rung_before_and_each_ring_ends_one_wait() -> None:
    """A ring between two waits is not lost, and leaves the wait after next alone."""
    with Wake() as wake:
        wake.ring()
        began_s = time.monotonic()
        wake.wait(30)
        assert time.monotonic() - began_s < 20
        wake.wait(0)
        assert not select.select([wake], [], [], 0)[0]


@pytest.mark.service
@BOTH
def test_a_pump_reads_no_more_than_its_limit_and_what_is_not_acknowledged_comes_again(
    mosquitto: Mosquitto, version: Version
) -> None:
    """Thirty messages in portions of at most ten; after a break without acknowledgements all of them once more."""
    with talk(mosquitto.port, version) as one:
        one.until_news(1)
        mosquitto.publish_lines("worms/room/air", [str(number) for number in range(30)])
        portions: list[int] = []
        while len(one.got) < 30:
            portions.append(one.session.pump(1, 10))
        assert max(portions) <= 10
        mosquitto.restart()
        one.until_news(2)
        one.clock.now_s += 61
        one.until_news(3)
        assert "session resumed" in one.lines[2]
        wait_until(lambda: one.session.pump(0.1, 100) < 0 or len(one.got) >= 60, "all thirty again")
        assert sorted(one.got[:30]) == sorted(one.got[30:])
        one.session.acknowledge([mid for _, _, mid in one.got[30:]])
    wait_until(lambda: f"quillbrook-{mosquitto.port} disconnected" in mosquitto.log, "the broker to have read it all")
    with talk(mosquitto.port, version) as one:
        one.until_news(1)
        mosquitto.publish("worms/room/air", "last")
        wait_until(lambda: one.session.pump(0.1, 100) < 0 or one.got, "the last one")
        assert [payload for _, payload, _ in one.got] == [b"last"]
        mosquitto.stop()
        one.until_news(2)
        one.session.acknowledge([1, 2, 3])  # the link is gone: no harm


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (ssl.SSLCertVerificationError("x"), "TRAYWARDEN_MQTT__CA_FILE"),
        (ssl.SSLError(1, "wrong version number"), "does this port speak TLS?"),
        (socket.gaierror(-2, "Name or service not known"), "no such host 'broker.quillbrook.example'"),
        (ConnectionRefusedError(111, "x"), "TRAYWARDEN_MQTT__PORT"),
        (TimeoutError("timed out"), "check the network"),
        (OSError(101, "Network is unreachable"), "Network is unreachable"),
    ],
)
def test_every_way_a_connection_fails_has_its_line(error: Exception, says: str) -> None:
    """The line names what to look at, and never the password."""
    broker = BrokerAccess(
        host="broker.quillbrook.example",
        port=1883,
        topic="worms/#",
        client_id="c",
        username="probe",
        password="damp blanket",
    )
    if isinstance(error, ssl.SSLCertVerificationError):
        error.verify_message = "self-signed certificate"  # as OpenSSL sets it
    elif isinstance(error, ssl.SSLError):
        error.reason = "WRONG_VERSION_NUMBER"
    text = explain(error, broker)
    assert says in text
    assert "\n" not in text
    assert "damp blanket" not in text + repr(broker) + str(broker)


@BOTH
def test_the_last_will_goes_with_the_connection(version: Version) -> None:
    """Named in CONNECT (MQTT 5.0 section 3.1.2.5, 3.1.1 section 3.1.2.5: will flag 0x04, QoS 1 0x08, retain 0x20),
    and only where there is a topic for it."""
    bodies: list[bytes] = []

    def answer(kind: int, body: bytes) -> bytes:
        if kind == CONNECT:
            bodies.append(body)
        return _answers(version)(kind, body)

    life = {"life_topic": "traywarden/alive", "last_will": b'{"state": "gone"}'}
    for options in (life, {}):
        with OddBroker(answer) as odd, talk(odd.port, version, **options) as one:
            one.until_news(1)
    told, silent = bodies
    assert told[7] & 0x3C == 0x2C
    assert b"traywarden/alive" in told
    assert b'{"state": "gone"}' in told
    assert silent[7] & 0x3C == 0


def test_a_broker_that_does_not_take_the_sign_of_life_is_told_in_one_line() -> None:
    """MQTT 5 says so in its PUBACK (section 3.4.2.1, 0x87 not authorized)."""
    said: list[str] = []

    def answer(kind: int, body: bytes) -> bytes:
        topic_bytes = 2 + int.from_bytes(body[:2], "big")
        mid = body[topic_bytes : topic_bytes + 2]
        return b"\x40\x03" + mid + b"\x87" if kind == PUBLISH else _answers("5")(kind, body)

    with OddBroker(answer) as odd:
        broker = BrokerAccess(
            host="127.0.0.1", port=odd.port, topic="worms/#", client_id="quillbrook", life_topic="traywarden/alive"
        )
        session = BrokerSession(broker, lambda _message: None, lambda _news: None, Monotonic(), on_told=said.append)
        wait_until(lambda: session.pump(0.02, 100) < 0 or session.up, "the connection")
        session.tell(b"{}")
        wait_until(lambda: session.pump(0.02, 100) < 0 or said, "the answer")
        session.close()
    assert said == [f"broker 127.0.0.1:{odd.port} did not take 'traywarden/alive': not authorized"]


def test_a_broker_that_does_not_answer_the_last_sign_of_life_holds_no_stop_up() -> None:
    """Its answer is waited for a moment, lest a connection closed on top of it looks like a lost one; then it ends."""

    def answer(kind: int, body: bytes) -> bytes:
        return b"" if kind == PUBLISH else _answers("5")(kind, body)

    with OddBroker(answer) as odd, talk(odd.port, life_topic="traywarden/alive") as one:
        one.until_news(1)
        one.session.tell(b"{}")
        began_s = time.monotonic()
        one.session.close()
        assert 0.5 < time.monotonic() - began_s < 10
    assert one.lines == [f"broker 127.0.0.1:{odd.port} connected, new session"]
