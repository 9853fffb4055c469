"""A collector and its broker under a rogue probe, while another probe reports: what that costs, in figures."""

import json
import re
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from collector.store.migrations import SERIES_BITS
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.texts import bedding, lab_text, probe_text

LAB = lab_text(
    probe_text("juniper/top", bedding()),
    probe_text("juniper/bottom", bedding()),
    probe_text("maple/bottom", bedding(), format="senml-cbor"),
    probe_text("maple/middle", bedding(named="pointer: /t"), format="json"),
    probe_text("maple/top", bedding(named=""), format="number"),
)
GOOD = "worms/juniper/top"
_GOOD_ONES = "series = (SELECT id FROM series WHERE probe = 'juniper-top' AND channel = 'temperature')"
_EVERY_S = 0.05


@dataclass(slots=True)
class Toll:
    """What a siege cost. Delays are from publishing a good reading to finding it in the journal."""

    sent: int = 0
    sent_mb: float = 0.0
    thrown_out: int = 0
    good: int = 0
    lost: int = 0
    worst_delay_s: float = 0.0
    caught_up_s: float = 0.0
    """After the last of the siege was sent."""
    delays_s: list[float] = field(default_factory=list, repr=False)
    collector_mb: float = 0.0
    broker_mb: float = 0.0
    database_mb: float = 0.0
    rows: dict[str, int] = field(default_factory=dict)


def make_home(folder: Path) -> Path:
    folder.mkdir()
    (folder / "lab.yaml").write_text(LAB, encoding="utf-8")
    return folder


class Siege:
    """`attack` may be called again and again on one collector; `close` ends it."""

    def __init__(self, folder: Path) -> None:
        self.broker = Mosquitto(folder / "broker")
        self.broker.start()
        self.home = make_home(folder / "home")
        self._since = int(time.time() * 1000) << SERIES_BITS
        self.watch = Watch(self.home, {"MQTT__PORT": self.broker.port}, anew=True).start()
        Watch.running_now.discard(self.watch)  # it outlives a test; `close` ends it

    def close(self) -> None:
        self.watch.kill()
        self.broker.kill(saved=False)

    def attack(self, kind: str, *, seconds: float = 60.0, most: int = 1_000_000_000, qos: int = 1) -> Toll:
        """Until the rogue is done and all that came before its end has been dealt with."""
        toll, before = Toll(), self._database_mb()
        with self._good_probe(toll) as sent, self._measured(toll):
            wait_until(lambda: toll.delays_s, "a good reading before the siege", 30)
            done = subprocess.run(
                [sys.executable, "-m", "tests.security.rogue", *map(str, (self.broker.port, kind, seconds, most, qos))],
                capture_output=True, text=True, check=True, timeout=seconds + 60,
            )  # fmt: skip
            over_ms = int(time.time() * 1000)
            wait_until(lambda: self._newest_ms() > over_ms, "the collector to catch up", 600)
            toll.caught_up_s = time.time() - over_ms / 1000
        said = json.loads(done.stdout)
        toll.sent, toll.sent_mb, toll.thrown_out = said["sent"], said["mb"], said["thrown_out"]
        due = [t_ms for t_ms in sent if t_ms <= over_ms]
        toll.good, toll.lost = len(due), len(due) - self._stored(due[0], due[-1])
        toll.worst_delay_s = max(toll.delays_s)
        toll.database_mb = self._database_mb() - before
        toll.rows = {name: self._rows(name) for name in ("readings", "unplaced", "rejected", "alarm_history", "outbox")}
        return toll

    @contextmanager
    def _good_probe(self, toll: Toll) -> Iterator[list[int]]:
        """Reports twenty times a second, whatever becomes of it, and looks how long each report takes."""
        over, sent, looked = threading.Event(), list[int](), 0
        client = Client(CallbackAPIVersion.VERSION2, "good-probe")
        client.connect("127.0.0.1", self.broker.port)
        client.loop_start()

        def report() -> None:
            nonlocal looked
            while not over.wait(_EVERY_S):
                sent.append(int(time.time() * 1000))
                client.publish(GOOD, f'[{{"n":"temperature","v":21.5,"t":{sent[-1] / 1000:.3f}}}]', qos=1)
                newest_ms, now_ms = self._newest_ms(), time.time() * 1000
                while looked < len(sent) and sent[looked] <= newest_ms:
                    toll.delays_s.append((now_ms - sent[looked]) / 1000)
                    looked += 1

        reporter = threading.Thread(target=report)
        reporter.start()
        try:
            yield sent
        finally:
            over.set()
            reporter.join()
            client.disconnect()
            client.loop_stop()

    @contextmanager
    def _measured(self, toll: Toll) -> Iterator[None]:
        over = threading.Event()
        broker = self.broker._process
        assert broker is not None

        def look() -> None:
            while not over.wait(0.05):
                toll.collector_mb = max(toll.collector_mb, resident_mb(self.watch.pid))
                toll.broker_mb = max(toll.broker_mb, resident_mb(broker.pid))

        looker = threading.Thread(target=look)
        looker.start()
        try:
            yield
        finally:
            over.set()
            looker.join()

    def _newest_ms(self) -> int:
        """Time of the newest good reading in the journal."""
        return self._ask(f"SELECT coalesce(max(t), 0) FROM readings WHERE id > ? AND {_GOOD_ONES}", self._since)  # noqa: S608  ours

    def _stored(self, first_ms: int, last_ms: int) -> int:
        query = f"SELECT count(*) FROM readings WHERE id > ? AND {_GOOD_ONES} AND t BETWEEN ? AND ?"  # noqa: S608  ours
        return self._ask(query, self._since, first_ms, last_ms)

    def _rows(self, table: str) -> int:
        return self._ask(f"SELECT count(*) FROM {table}")  # noqa: S608  names of ours

    def _ask(self, query: str, *values: int) -> int:
        with closing(sqlite3.connect(f"{(self.home / 'traywarden.db').as_uri()}?mode=ro", uri=True)) as db:
            return int(db.execute(query, values).fetchone()[0])

    def _database_mb(self) -> float:
        return sum(path.stat().st_size for path in self.home.glob("traywarden.db*")) / 1e6


def resident_mb(pid: int) -> float:
    found = re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{pid}/status").read_text(encoding="ascii"))
    assert found is not None
    return int(found[1]) / 1000
