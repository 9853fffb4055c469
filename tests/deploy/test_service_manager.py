"""What the collector and the board say to a service manager, heard on a real socket."""

import os
import signal
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.watch.service_manager import ServiceManager
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.home import make_home


class Listener:
    """The manager's end of the socket."""

    def __init__(self, address: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(address)
        self._socket.setblocking(False)
        self.heard: list[str] = []

    def listen(self) -> list[str]:
        while True:
            try:
                self.heard.append(self._socket.recv(4096).decode())
            except BlockingIOError:
                return self.heard

    def close(self) -> None:
        self._socket.close()


class Managed(Watch):
    """A collector that was started by a manager."""

    manager: dict[str, str]

    def environment(self) -> dict[str, str]:
        return {**super().environment(), **self.manager}


@pytest.fixture
def listener(tmp_path: Path) -> Iterator[Listener]:
    found = Listener(str(tmp_path / "notify"))
    yield found
    found.close()


def environ(tmp_path: Path, watchdog_s: float = 0, **more: str) -> dict[str, str]:
    return {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": str(int(watchdog_s * 1e6)), **more}


def test_ready_once_then_alive_four_times_a_period(tmp_path: Path, listener: Listener) -> None:
    """The first turn says ready; signs of life come every quarter of the watchdog's period, however often it turns."""
    now = [100.0]
    manager = ServiceManager(environ(tmp_path, 60), 7, lambda: now[0])
    for _ in range(60):
        manager.turned(writable=True)
        now[0] += 1.0
    assert listener.listen() == ["READY=1", *["WATCHDOG=1"] * 4]


def test_no_sign_of_life_while_the_journal_cannot_be_written(tmp_path: Path, listener: Listener) -> None:
    """Turning alone is no progress: the manager hears nothing until a turn whose journal can be written."""
    now = [0.0]
    manager = ServiceManager(environ(tmp_path, 60), 7, lambda: now[0])
    for _ in range(100):
        manager.turned(writable=False)
        now[0] += 1.0
    assert listener.listen() == ["READY=1"]
    manager.turned(writable=True)
    assert listener.listen() == ["READY=1", "WATCHDOG=1"]


@pytest.mark.parametrize("more", [{"WATCHDOG_USEC": ""}, {"WATCHDOG_USEC": "soon"}, {"WATCHDOG_PID": "8"}])
def test_no_sign_of_life_where_none_is_asked_of_us(tmp_path: Path, listener: Listener, more: dict[str, str]) -> None:
    """Without a period, with one that is no number, or with one meant for another process, only ready is said."""
    manager = ServiceManager(environ(tmp_path, 60) | more, 7, lambda: 0.0)
    manager.turned(writable=True)
    assert listener.listen() == ["READY=1"]


def test_how_it_goes_is_said_when_it_changes(tmp_path: Path, listener: Listener) -> None:
    """One line, once; a line break in it cannot smuggle in another word."""
    manager = ServiceManager(environ(tmp_path), 7, lambda: 0.0)
    for text in ("broker: up", "broker: up", "broker: lost\nREADY=1"):
        manager.says(text)
    manager.stopping()
    assert listener.listen() == ["STATUS=broker: up", "STATUS=broker: lost READY=1", "STOPPING=1"]


def test_a_name_without_a_file_is_reached(tmp_path: Path) -> None:
    """Names that begin with '@' are sockets without a file."""
    name = f"traywarden-test-{os.getpid()}"
    found = Listener(f"\0{name}")
    ServiceManager({"NOTIFY_SOCKET": f"@{name}"}, 7, lambda: 0.0).turned(writable=True)
    assert found.listen() == ["READY=1"]
    found.close()


@pytest.mark.parametrize("named", ["", "/nowhere/notify", "vsock:2:1234", "relative"])
def test_a_manager_that_cannot_be_reached_changes_nothing(named: str) -> None:
    """No socket, one that is gone, one of another kind: the collector goes on."""
    manager = ServiceManager({"NOTIFY_SOCKET": named, "WATCHDOG_USEC": "1000000"}, 7, lambda: 0.0)
    manager.turned(writable=True)
    manager.says("going on")
    manager.stopping()


@pytest.mark.service
def test_the_collector_says_ready_alive_and_stopping(tmp_path: Path, listener: Listener, mosquitto: Mosquitto) -> None:
    """`watch` as a process under a manager: ready, signs of life, its link to the broker, and its stop. One that
    lives but does not turn, as on a hung disk, is silent."""
    watch = Managed(make_home(tmp_path / "home"), {"MQTT__PORT": mosquitto.port})
    watch.manager = environ(tmp_path, 0.4)
    watch.start()
    wait_until(lambda: listener.listen().count("WATCHDOG=1") > 2, "signs of life")
    assert listener.heard.count("READY=1") == 1
    wait_until(lambda: "STATUS=broker: up" in listener.listen(), "its link to the broker")

    os.kill(watch.pid, signal.SIGSTOP)
    heard = len(listener.listen())
    with pytest.raises(TimeoutError):
        wait_until(lambda: len(listener.listen()) > heard + 1, "a sign of life", 0.8)
    os.kill(watch.pid, signal.SIGCONT)
    wait_until(lambda: len(listener.listen()) > heard + 1, "life again")

    assert watch.stop() == 0
    assert "STOPPING=1" in listener.listen()
