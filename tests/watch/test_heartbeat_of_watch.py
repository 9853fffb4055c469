"""The sign of life of a real collector on a real broker: alive, gone when killed, stopped when somebody stops it."""

import json
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr

from collector.cli.status.values import status
from collector.config.clock import system_now
from collector.config.home import Home
from collector.config.settings import Heartbeat, Mqtt, Settings
from collector.store.batch import Batch, CommitResult
from collector.store.errors import JournalStalled
from collector.store.journal import Journal
from collector.watch.assemble import broker_of
from tests.cli.in_process import InProcess
from tests.delivery.watcher import KEY, watching
from tests.services.mosquitto import Mosquitto
from tests.services.parts import need
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.home import hot_pack, make_home

pytestmark = pytest.mark.service
TOPIC = "traywarden/alive"


class Listener:
    """Somebody elsewhere who listens to the topic."""

    def __init__(self, broker: Mosquitto, folder: Path) -> None:
        self._file = folder / "heard"
        command = [need("mosquitto_sub"), "-h", broker.host, "-p", str(broker.port), "-t", TOPIC, "-q", "1"]
        with self._file.open("wb") as out:
            self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=out)

    def heard(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self._file.read_text(encoding="utf-8").splitlines()]

    def states(self) -> list[str]:
        return [str(one["state"]) for one in self.heard()]

    def until(self, *states: str) -> None:
        wait_until(lambda: self.states() == list(states), f"{states}, heard: {self.states()}", 20)

    def leave(self) -> None:
        self._process.terminate()
        self._process.wait(timeout=10)


@pytest.fixture
def listener(mosquitto: Mosquitto, tmp_path: Path) -> Iterator[Listener]:
    one = Listener(mosquitto, tmp_path)
    yield one
    one.leave()


def test_alive_gone_and_stopped(tmp_path: Path, mosquitto: Mosquitto, listener: Listener) -> None:
    """Killed, the broker speaks its last will; back again it is alive at once; stopped on purpose it says so itself,
    and that is kept for whoever asks later."""
    settings = {"MQTT__PORT": mosquitto.port, "HEARTBEAT__TOPIC": TOPIC, "HEARTBEAT__EVERY_S": 3600}
    watch = Watch(make_home(tmp_path / "home"), settings)
    watch.start()
    listener.until("alive")
    (alive,) = listener.heard()
    assert alive["every_s"] == 3600
    assert abs(time.time() - datetime.fromisoformat(alive["at"]).timestamp()) < 60
    watch.kill()
    listener.until("alive", "gone")
    watch.start()
    listener.until("alive", "gone", "alive")
    watch.stop()
    listener.until("alive", "gone", "alive", "stopped")
    listener.leave()
    late = Listener(mosquitto, tmp_path)
    late.until("stopped")
    late.leave()


def test_a_guest_gives_no_sign_of_life(tmp_path: Path) -> None:
    """`checkup` connects beside a running collector and must not say that it is gone."""
    settings = Settings(mqtt=Mqtt(), heartbeat=Heartbeat(topic=TOPIC))
    assert broker_of(Home(tmp_path), settings).life_topic == TOPIC
    assert broker_of(Home(tmp_path), settings, suffix="-checkup").life_topic == ""


@contextmanager
def stalled(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Nothing can be written into the journal meanwhile."""

    def refuse(self: Journal, _batch: Batch, _now_ms: int) -> CommitResult:
        raise JournalStalled(self.path, "the disk is full")

    monkeypatch.setattr(Journal, "commit", refuse)
    yield
    monkeypatch.undo()


def test_no_sign_while_nothing_can_be_stored_and_no_stop_for_another_lab_file(
    tmp_path: Path, mosquitto: Mosquitto, listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The web address and the topic are silent while the journal cannot be written and speak again afterwards; a
    changed lab.yaml, which starts the collector over inside, is not told as a stop. `status` counts the signs."""
    home = make_home(tmp_path / "home")
    with watching() as watcher:
        beat = Heartbeat.model_construct(url=SecretStr(watcher.url), topic=TOPIC, every_s=1)
        with InProcess(home, mosquitto.port, heartbeat=beat) as watch:
            watch.until(lambda: watcher.calls and "alive" in listener.states(), "signs of life")
            lab = home / "lab.yaml"
            lab.write_text(lab.read_text(encoding="utf-8").replace("Worm lab", "Worm room"), encoding="utf-8")
            watch.until_said("connected", 2)
            with stalled(monkeypatch):
                mosquitto.publish("worms/juniper/top", hot_pack(time.time() - 1, 21.0))
                watch.until_said("journal cannot be written")
                since_s, calls, alive = time.monotonic(), watcher.calls, len(listener.states())
                watch.until(lambda: time.monotonic() - since_s > 2.5, "two intervals and more")
                assert watcher.calls <= calls + 1  # one may have been under way
                assert len(listener.states()) <= alive + 1
                calls, alive = watcher.calls, len(listener.states())
            watch.until(lambda: watcher.calls > calls and len(listener.states()) > alive, "signs of life again", 40)
            assert set(listener.states()) == {"alive"}
        wait_until(lambda: listener.states()[-1] == "stopped", "the planned stop")
    beats = status(Home(home), None, system_now())["heartbeat"]
    assert [(one["by"], one["failures"]) for one in beats] == [("url", 0), ("topic", 0)]
    assert not [line for line in watch.log if KEY in line]
