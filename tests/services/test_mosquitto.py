"""The broker that other tests lean on, run with the settings that ship."""

import socket
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.services.certificates import Authority
from tests.services.free_port import answers, free_port
from tests.services.mosquitto import Mosquitto
from tests.services.parts import need

pytestmark = pytest.mark.service

Start = Callable[..., Mosquitto]


def subscribe(broker: Mosquitto, *arguments: str) -> subprocess.CompletedProcess[str]:
    """mosquitto_sub with a kept session named 'collector', waiting at most five seconds."""
    command = [need("mosquitto_sub"), "-h", broker.host, "-p", str(broker.port), "-i", "collector", "-c", "-q", "1"]
    return subprocess.run(
        [*command, "-t", "worms/#", "-W", "5", *arguments], capture_output=True, text=True, check=False, timeout=30
    )


def keep_session(broker: Mosquitto) -> None:
    assert subscribe(broker, "-E").returncode == 0


def test_queued_messages_outlive_a_killed_broker(mosquitto: Mosquitto) -> None:
    """What waits for a client that is away is still there after the broker was killed and started again, twice."""
    keep_session(mosquitto)
    mosquitto.publish("worms/juniper/top", "19.5")
    mosquitto.restart(kill=True)
    mosquitto.publish("worms/juniper/top", b"19.6")
    mosquitto.restart(kill=True)

    assert subscribe(mosquitto, "-C", "2").stdout.split() == ["19.5", "19.6"]


def test_shipped_settings_hold_more_than_the_brokers_own_bounds(mosquitto: Mosquitto) -> None:
    """5000 messages wait for a client that is away, five times Mosquitto's own bound, and come in order."""
    keep_session(mosquitto)
    sent = [str(number) for number in range(5000)]
    mosquitto.publish_lines("worms/juniper/top", sent)
    mosquitto.restart()

    assert subscribe(mosquitto, "-C", "5000").stdout.split() == sent


def test_what_was_not_saved_is_lost_by_an_unsaved_kill(mosquitto: Mosquitto) -> None:
    """`kill(saved=False)` is the power cut: what came in since the last save is gone."""
    keep_session(mosquitto)
    mosquitto.save()
    mosquitto.publish("worms/juniper/top", "19.5")
    mosquitto.kill(saved=False)
    mosquitto.start()

    assert subscribe(mosquitto, "-C", "1", "-W", "1").stdout == ""


def test_a_retained_message_is_kept_for_later_clients(mosquitto: Mosquitto) -> None:
    """`publish(retain=True)` leaves the message for whoever subscribes afterwards."""
    mosquitto.publish("worms/juniper/top", "19.5", retain=True)

    assert subscribe(mosquitto, "-C", "1", "-F", "%r %p").stdout.split() == ["1", "19.5"]


def test_password_is_asked_for(start_mosquitto: Start) -> None:
    """With a password, the right one publishes and a wrong one is refused."""
    broker = start_mosquitto(password="castings")
    broker.publish("worms/juniper/top", "19.5")
    broker.password = "leachate"

    with pytest.raises(RuntimeError, match=r"(?i)not auth"):
        broker.publish("worms/juniper/top", "19.5")


def test_tls_certificate_is_checked(start_mosquitto: Start, tmp_path: Path) -> None:
    """Over TLS, a client that trusts the right authority publishes; one that trusts another does not."""
    ours, another = Authority(tmp_path / "ours"), Authority(tmp_path / "another")
    broker = start_mosquitto(tls=ours.issue())
    broker.publish("worms/juniper/top", "19.5")
    broker.tls = another.issue()

    with pytest.raises(RuntimeError, match=r"(?i)tls|certificate"):
        broker.publish("worms/juniper/top", "19.5")


def test_expired_certificate_is_refused(start_mosquitto: Start, tmp_path: Path) -> None:
    """`issue(expired=True)` makes a certificate that clients refuse."""
    broker = start_mosquitto(tls=Authority(tmp_path / "ours").issue(expired=True))

    with pytest.raises(RuntimeError, match=r"(?i)tls|certificate"):
        broker.publish("worms/juniper/top", "19.5")


def test_a_running_server_is_never_taken_over(tmp_path: Path) -> None:
    """A port where something already answers is refused, so no test can write to a broker in use."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        broker = Mosquitto(tmp_path, port=other.getsockname()[1])

        with pytest.raises(RuntimeError, match="already listens"):
            broker.start()


def test_a_broker_that_cannot_start_says_why(tmp_path: Path) -> None:
    """Settings that Mosquitto refuses end in its own words, not in a wait."""
    broker = Mosquitto(tmp_path, settings=["queue_everything true"])

    with pytest.raises(RuntimeError, match="queue_everything"):
        broker.start()


def test_stopping_twice_is_harmless(mosquitto: Mosquitto) -> None:
    """After `stop` nothing answers on the port, and stopping again does nothing."""
    mosquitto.stop()
    mosquitto.stop()

    assert not answers(mosquitto.port)


def test_free_ports_are_free() -> None:
    """A free port has no listener and can be listened on."""
    port = free_port()

    assert not answers(port)
    with socket.create_server(("127.0.0.1", port)):
        assert answers(port)
