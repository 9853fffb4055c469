"""`kill -9` at random moments while readings come in, with broker restarts, full disks and mail outages mixed in.

Everything is real: Mosquitto, the collector as a process, an SMTP server. Each cycle publishes a run of packs and kills
the collector somewhere in the middle of it. At the end the journal is compared with what was sent, and the mail with
the alarms that were due. A full disk is a file size limit set on the running process from outside.
"""

import random
import resource
import sqlite3
import tempfile
import threading
import time
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from collector.messages.mail import build_message
from collector.store.outbox import OutboxMessage
from tests.app.lab import HOT_AT_ONCE
from tests.bench.lab import LAB_NAME, TRAYS, make_home, pack
from tests.services.mosquitto import Mosquitto
from tests.services.smtp_server import SmtpServer
from tests.services.waiting import wait_until
from tests.services.watching import Watch

_START_S = 1_772_438_400
_HOT = "juniper/top"
_SENDER = "traywarden@quillbrook.example"
_EVERY = {"broker restarts": 9, "full disks": 6, "mail outages": 4}
"""Every so many cycles."""


@dataclass(slots=True)
class _Story:
    """What was done so far, and what must come of it."""

    sent: int = 0
    hot: int = 0
    done: Counter[str] = field(default_factory=Counter)


def measure(whole: bool) -> dict[str, float | int]:
    return run(packs=333_334 if whole else 20_000, kills=100 if whole else 10, seed=20_260_302)


def run(packs: int, kills: int, seed: int) -> dict[str, float | int]:
    """`packs` of three readings each, spread over `kills` cycles."""
    chance = random.Random(seed)  # noqa: S311  repeatable, not secret
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as name, SmtpServer() as mail, Mosquitto(Path(name) / "broker") as broker:
        home = make_home(Path(name) / "home")
        (home / "rules").mkdir()
        (home / "rules" / "site.yaml").write_text(HOT_AT_ONCE, encoding="utf-8")
        settings = {
            "MQTT__PORT": broker.port,
            "MAIL__HOST": mail.host,
            "MAIL__PORT": mail.port,
            "MAIL__SENDER": _SENDER,
        }
        watch = Watch(home, {**settings, "MAIL__SECURITY": "none"})
        story = _Story()
        with _Publisher(broker.port) as publisher:
            watch.start()
            for cycle in range(kills):
                _cycle(cycle, packs * (cycle + 1) // kills, watch, broker, mail, publisher, story, chance)
        found = _settle(watch, mail, story)
    return {"kills": kills, **story.done, "sent": story.sent * 3, **found, "seconds": round(time.monotonic() - began)}


def _cycle(
    cycle: int,
    until: int,
    watch: Watch,
    broker: Mosquitto,
    mail: SmtpServer,
    publisher: "_Publisher",
    story: _Story,
    chance: random.Random,
) -> None:
    due = [what for what, every in _EVERY.items() if cycle % every == every - 1]
    if "mail outages" in due:
        mail.stop()
    sending = threading.Thread(target=publisher.send, args=(story, until))
    sending.start()
    if "full disks" in due:
        resource.prlimit(watch.pid, resource.RLIMIT_FSIZE, (4_096, resource.RLIM_INFINITY))
    time.sleep(chance.uniform(0.0, 1.0))
    watch.kill()
    watch.start()
    sending.join()
    if "broker restarts" in due:
        broker.restart(kill=chance.random() < 0.5)
    if "mail outages" in due:
        mail.start()
    story.done.update(what.replace(" ", "_") for what in due)


class _Publisher:
    """Publishes packs a second apart, in order, and returns when the broker has confirmed all of them."""

    def __init__(self, port: int) -> None:
        self._client = Client(
            CallbackAPIVersion.VERSION2, "bench-probes", clean_session=False, protocol=MQTTProtocolVersion.MQTTv311
        )
        self._client.max_inflight_messages_set(200)
        self._client.max_queued_messages_set(0)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_publish = self._confirm
        self._confirmed = 0
        self._asked = 0
        self._client.connect("127.0.0.1", port)

    def _confirm(self, *_: object) -> None:
        self._confirmed += 1

    def __enter__(self) -> "_Publisher":
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def send(self, story: _Story, until: int) -> None:
        first = story.sent
        for number in range(first, until):
            tray = TRAYS[number % len(TRAYS)]
            hot = tray == _HOT and (number - first) // len(TRAYS) in (40, 41, 42)
            story.hot += hot and (number - first) // len(TRAYS) == 40
            text = pack(tray, _START_S + number, 31.5 if hot else 24.0 + number % 3 / 16, 0.76)
            self._client.publish(f"worms/{tray}", text, qos=1)
            self._asked += 1
        wait_until(lambda: self._confirmed >= self._asked, "the broker to confirm every pack", 90)
        story.sent = until


def _settle(watch: Watch, mail: SmtpServer, story: _Story) -> dict[str, int]:
    """Wait until nothing more is on its way, then compare."""
    wait_until(lambda: watch.status()["readings"] >= story.sent * 3, "all readings", 120)
    wait_until(lambda: watch.status()["outbox"]["waiting"] == 0, "all mail", 90)
    watch.stop()
    stored, distinct = _stored(watch.home / "traywarden.db")
    unconfirmed = _unconfirmed(watch.home / "traywarden.db")
    told = Counter(str(one.message["Message-ID"]) for one in mail.accepted)
    return {
        "lost": story.sent * 3 - distinct,
        "stored_twice": stored - distinct,
        "due_messages": story.hot * 2,
        "told": len(told),
        "told_twice": sum(told.values()) - len(told),
        "unconfirmed": len(unconfirmed),
        "never_told": story.hot * 2 - len(told.keys() | unconfirmed),
    }


def _unconfirmed(database: Path) -> set[str]:
    """Message-IDs of those cut off while they were handed over: marked so, and not sent again."""
    columns = "id, key, recipient, channel, priority, subject, body, created_ms, attempts, last_error"
    with closing(sqlite3.connect(database)) as db:
        rows = db.execute(f"SELECT {columns} FROM outbox WHERE state = 'unconfirmed'").fetchall()  # noqa: S608  fixed
    messages = (build_message(OutboxMessage(*row), _SENDER, LAB_NAME) for row in rows)
    return {str(message["Message-ID"]) for message in messages}


def _stored(database: Path) -> tuple[int, int]:
    """How many rows, and how many different readings (series and second) among those that were sent."""
    with closing(sqlite3.connect(database)) as db:
        (rows,) = db.execute("SELECT count(*) FROM readings").fetchone()
        (distinct,) = db.execute(
            "SELECT count(*) FROM (SELECT DISTINCT series, t FROM readings WHERE t % 1000 = 0 AND t >= ?)",
            (_START_S * 1000,),
        ).fetchone()
    return rows, distinct
