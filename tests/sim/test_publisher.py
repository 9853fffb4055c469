"""The publisher against a real broker, and against none."""

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from sim_sensors import scenarios
from sim_sensors.clock import paced
from sim_sensors.pack import Pack
from sim_sensors.publisher import Played, Publisher, PublishError
from sim_sensors.run import run
from tests.services.certificates import Authority
from tests.services.free_port import free_port
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.sim.small import START_MS, of_topic, played, small_lab
from tests.sim.test_payloads import ZOO

AT_ONCE = 1e6


class Listener:
    """Takes down every message under worms/ that a broker passes on, over a session that outlives restarts."""

    def __init__(self, port: int) -> None:
        self.got: list[tuple[str, bytes]] = []
        self.subscribed = threading.Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="listener", clean_session=False)
        self.client.reconnect_delay_set(1, 1)
        self.client.on_message = lambda c, u, message: self.got.append((message.topic, bytes(message.payload)))
        self.client.on_connect = lambda c, u, f, code, p: c.subscribe("worms/#", qos=1)
        self.client.on_subscribe = lambda c, u, mid, codes, p: self.subscribed.set()
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        wait_until(self.subscribed.is_set, "the subscription")

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def listen() -> Iterator[Callable[[int], Listener]]:
    """Opens listeners and closes them with the test."""
    opened: list[Listener] = []

    def listen(port: int) -> Listener:
        opened.append(Listener(port))
        return opened[-1]

    yield listen
    for one in opened:
        one.close()


def packs(minutes: int) -> list[Pack]:
    return list(run(scenarios.load("school-demo"), 1, START_MS, minutes * 60_000))


def play(publisher: Publisher, sent: list[Pack], stop: threading.Event | None = None) -> Played:
    return publisher.play(sent, clock=paced(START_MS, AT_ONCE), pace=AT_ONCE, stop=stop or threading.Event())


@pytest.mark.service
def test_all_packs_arrive(mosquitto: Mosquitto, listen: Callable[[int], Listener]) -> None:
    """Two lab hours through a real broker: every pack arrives once, in order, whole, and is confirmed."""
    heard = listen(mosquitto.port)
    sent = packs(120)
    assert play(Publisher("127.0.0.1", mosquitto.port, max_inflight=20), sent) == Played(len(sent), len(sent))
    wait_until(lambda: len(heard.got) >= len(sent), "all packs")
    assert heard.got == [(p.topic, p.payload) for p in sent]


@pytest.mark.service
def test_every_format_arrives_whole(mosquitto: Mosquitto, listen: Callable[[int], Listener]) -> None:
    """SenML in JSON and CBOR, pointers and bare numbers: the bytes that were sent."""
    heard, sent = listen(mosquitto.port), played(small_lab(ZOO))
    assert play(Publisher("127.0.0.1", mosquitto.port), sent).confirmed == len(sent)
    wait_until(lambda: len(heard.got) >= len(sent), "all packs")
    assert heard.got == [(p.topic, p.payload) for p in sent]


@pytest.mark.service
def test_retained_messages_wait_for_who_comes_later(mosquitto: Mosquitto, listen: Callable[[int], Listener]) -> None:
    """A probe that retains leaves its last message at the broker; the others leave nothing."""
    sent = played(small_lab("room-air: {retain: yes}"), hours=0.2)
    assert play(Publisher("127.0.0.1", mosquitto.port), sent).confirmed == len(sent)
    heard = listen(mosquitto.port)
    wait_until(lambda: len(heard.got) > 0, "the retained message")
    assert heard.got == [("worms/room", of_topic(sent, "worms/room")[-1].payload)]


@pytest.mark.service
def test_packs_survive_a_broker_that_dies(
    start_mosquitto: Callable[..., Mosquitto], listen: Callable[[int], Listener]
) -> None:
    """The broker hangs, is killed with five packs that it never confirmed, and comes back: the publisher says so,
    connects again, and every pack arrives."""
    broker = start_mosquitto()
    heard, told = listen(broker.port), list[str]()
    sent = packs(60)
    publisher = Publisher("127.0.0.1", broker.port, max_inflight=10, tell=told.append)

    def interrupted() -> Iterator[Pack]:
        for n, pack in enumerate(sent):
            if n == len(sent) // 2:
                # What it confirmed and has not passed on would be lost with it, which no publisher could mend.
                wait_until(lambda n=n: publisher.so_far.confirmed == n == len(heard.got), "half of the packs", 40)  # type: ignore[misc]
                broker.save()
                broker.freeze()
            if n == len(sent) // 2 + 5:
                assert publisher.so_far.sent - publisher.so_far.confirmed == 5
                broker.kill(saved=False)
                broker.start()
            yield pack

    played = publisher.play(interrupted(), clock=paced(START_MS, AT_ONCE), pace=AT_ONCE, stop=threading.Event())
    assert played == Played(len(sent), len(sent))
    wait_until(lambda: {p.payload for p in sent} <= {payload for _, payload in heard.got}, "all packs", 40)
    assert len(told) == 1
    assert "lost" in told[0]


@pytest.mark.service
def test_unconfirmed_packs_are_bounded_while_the_broker_is_away(mosquitto: Mosquitto) -> None:
    """With the broker gone no more than `max_inflight` packs are taken from the run, and a stop still ends it soon."""
    taken, stop = list[Pack](), threading.Event()
    lost = threading.Event()

    def watched() -> Iterator[Pack]:
        for n, pack in enumerate(packs(60)):
            if n == 20:
                mosquitto.stop()
                lost.wait(10)
            taken.append(pack)
            yield pack

    publisher = Publisher("127.0.0.1", mosquitto.port, max_inflight=5, drain_within_s=0.1, tell=lambda line: lost.set())
    results: list[Played] = []
    thread = threading.Thread(
        target=lambda: results.append(
            publisher.play(watched(), clock=paced(START_MS, AT_ONCE), pace=AT_ONCE, stop=stop)
        ),
        daemon=True,
    )
    thread.start()
    wait_until(lambda: lost.is_set() and len(taken) > publisher.so_far.confirmed + 5, "the publisher to hold back")
    stop.set()
    thread.join(10)
    assert not thread.is_alive()
    assert results[0].sent == results[0].confirmed + 5
    assert len(taken) == results[0].sent + 1


@pytest.mark.service
def test_pace_follows_the_clock(mosquitto: Mosquitto, listen: Callable[[int], Listener]) -> None:
    """No pack leaves before the clock has reached its time."""
    heard, stop, now = listen(mosquitto.port), threading.Event(), [START_MS]
    sent = packs(5)
    early: list[Pack] = []

    def watched() -> Iterator[Pack]:
        for pack in sent:
            yield pack
            if pack.t_ms > now[0]:
                early.append(pack)

    def clock() -> int:
        now[0] += 250
        return now[0]

    played = Publisher("127.0.0.1", mosquitto.port).play(watched(), clock=clock, pace=AT_ONCE, stop=stop)
    assert played.sent == len(sent)
    assert early == []
    wait_until(lambda: len(heard.got) == len(sent), "all packs")


@pytest.mark.service
def test_stop_ends_a_wait_at_once(mosquitto: Mosquitto) -> None:
    """A publisher that waits for a pack an hour away ends when told to, having sent nothing."""
    stop, asked = threading.Event(), threading.Event()

    def clock() -> int:
        asked.set()
        return START_MS - 3_600_000

    results: list[Played] = []
    publisher = Publisher("127.0.0.1", mosquitto.port)
    sent = packs(5)
    thread = threading.Thread(
        target=lambda: results.append(publisher.play(sent, clock=clock, pace=1, stop=stop)), daemon=True
    )
    thread.start()
    assert asked.wait(10)
    stop.set()
    thread.join(10)
    assert results == [Played(0, 0)]


@pytest.mark.service
def test_password(start_mosquitto: Callable[..., Mosquitto]) -> None:
    """With the password it plays; with a wrong one or none it says which settings to check, and not the password."""
    broker = start_mosquitto(username="probe", password="right-horse")
    sent = packs(2)
    assert play(Publisher("127.0.0.1", broker.port, username="probe", password="right-horse"), sent).confirmed
    for username, password in (("probe", "wrong-horse"), (None, None)):
        with pytest.raises(PublishError, match="check SIM_SENSORS_USERNAME and SIM_SENSORS_PASSWORD") as refused:
            play(Publisher("127.0.0.1", broker.port, username=username, password=password), sent)
        assert "horse" not in str(refused.value)


# paho leaves the socket of a failed handshake to the garbage collector, which closes it with a warning.
@pytest.mark.filterwarnings("ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning")
@pytest.mark.service
def test_tls(start_mosquitto: Callable[..., Mosquitto], tmp_path: Path) -> None:
    """With the right CA file it plays over TLS; with another authority's, or with just those the system trusts, the
    certificate is not trusted."""
    ours, other = Authority(tmp_path / "ours"), Authority(tmp_path / "other")
    broker = start_mosquitto(tls=ours.issue())
    sent = packs(2)
    assert play(Publisher("127.0.0.1", broker.port, ca_file=str(ours.ca_file)), sent).confirmed == len(sent)
    for ca_file in (str(other.ca_file), None):
        with pytest.raises(PublishError, match=r"certificate not trusted \(.*\); check the CA file"):
            play(Publisher("127.0.0.1", broker.port, ca_file=ca_file, tls=True), sent)


def test_a_ca_file_that_is_none(tmp_path: Path) -> None:
    """A missing file and one that holds no certificate are each told in a line that names the file."""
    empty = tmp_path / "empty.pem"
    empty.write_text("nothing\n")
    for path in (tmp_path / "missing.pem", empty):
        with pytest.raises(PublishError, match=f"CA file {path}: .*PEM"):
            Publisher("127.0.0.1", 1, ca_file=str(path))


def test_no_broker() -> None:
    """Where nobody answers it gives up after the time it was given, naming host and port."""
    port = free_port()
    with pytest.raises(PublishError, match=f"no broker at 127.0.0.1:{port} .*; is it running?"):
        play(Publisher("127.0.0.1", port, connect_within_s=0.2), packs(2))


def test_stop_before_there_is_a_broker() -> None:
    """A stop while it still tries to connect ends it without an error."""
    stop = threading.Event()
    stop.set()
    assert play(Publisher("127.0.0.1", free_port()), packs(2), stop) == Played(0, 0)
