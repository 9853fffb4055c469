"""`kill -9` at random moments while readings come in, with broker restarts, full disks and mail outages mixed in.

Everything is real: Mosquitto, the collector as a process, an SMTP server. Each cycle publishes a run of packs and kills
the collector somewhere in the middle of it. At the end the journal is compared with what was sent, and the mail with
the alarms that were due. A full disk is a file size limit set on the running process from outside.

What is held back because enough was sent within the hour is told at the very end, by the same collector on a clock that
is a quarter of an hour on. Each change of the alarm must then be in exactly one message to each person.
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

from collector.config.clock import system_now
from collector.config.settings import Mail
from collector.delivery.mail import build_message
from collector.store.outbox import OutboxMessage
from tests.bench.lab import LAB_NAME, TRAYS, make_home, pack
from tests.cli.in_process import InProcess
from tests.services.mosquitto import Mosquitto
from tests.services.smtp_server import SmtpServer
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.home import HOT_AT_ONCE

_START_S = 1_772_438_400
_HOT = "juniper/top"
_RULE = "bedding-hot"
_SENDER = "traywarden@quillbrook.example"
_PEOPLE = tuple(f"class-{number}" for number in range(1, 9))
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
        home = make_home(Path(name) / "home", _PEOPLE)
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
        found = _settle(watch, broker.port, mail, story)
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
    time.sleep(chance.uniform(0.0, 2.5))  # some of them while the messages go out, a second after the packs
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


def _settle(watch: Watch, port: int, mail: SmtpServer, story: _Story) -> dict[str, int]:
    """Wait until nothing more is on its way, then compare."""
    wait_until(lambda: watch.status()["readings"] >= story.sent * 3, "all readings", 120)
    wait_until(lambda: watch.status()["outbox"]["waiting"] == 0, "all mail", 90)
    watch.stop()
    database = watch.home / "traywarden.db"
    _tell_the_rest(watch.home, port, mail)
    stored, distinct = _stored(database)
    unconfirmed = {key for key, state in _messages(database).values() if state == "unconfirmed"}
    copies = Counter(str(one.message["Message-ID"]) for one in mail.accepted)
    told = _changes_by_message(database)
    arrived = [key for key in told if copies[key]]
    due = story.hot * 2 * len(_PEOPLE)
    return {
        "lost": story.sent * 3 - distinct,
        "stored_twice": stored - distinct,
        "due": due,
        "told": sum(told[key] for key in arrived),
        "messages": len(copies),
        "told_twice": copies.total() - len(copies) + sum(told.values()) - len(_changes(database)) * len(_PEOPLE),
        "unconfirmed": len(unconfirmed),
        "never_told": due - sum(told[key] for key in {*arrived, *(unconfirmed & told.keys())}),
    }


def _tell_the_rest(home: Path, port: int, mail: SmtpServer) -> None:
    """Let the quarter of an hour pass that the last messages wait for at most."""
    server = Mail(host=mail.host, port=mail.port, security="none", sender=_SENDER)
    with InProcess(home, port, now=lambda: system_now() + 900_000, mail=server) as later:
        later.until(lambda: _waiting(home / "traywarden.db") == 0, "all that was held back", 30)


def _waiting(database: Path) -> int:
    """Changes of the alarm still to be told, and messages still to be handed over."""
    query = """SELECT (SELECT count(*) FROM notices WHERE fate = 'waiting' AND rule = ?)
        + (SELECT count(*) FROM outbox WHERE state IN ('waiting', 'sending'))"""
    with closing(sqlite3.connect(database)) as db:
        return int(db.execute(query, (_RULE,)).fetchone()[0])


def _changes(database: Path) -> set[tuple[int, str]]:
    """Every change of the alarm that each person must hear of."""
    query = "SELECT t_ms, event FROM alarm_history WHERE rule = ? AND event IN ('raised', 'cleared')"
    with closing(sqlite3.connect(database)) as db:
        return set(db.execute(query, (_RULE,)))


def _changes_by_message(database: Path) -> Counter[str]:
    """How many changes of the alarm each message tells, by its Message-ID."""
    rows = _messages(database)
    with closing(sqlite3.connect(database)) as db:
        found = db.execute("SELECT message FROM notices WHERE rule = ? AND fate = 'told'", (_RULE,)).fetchall()
    return Counter(rows[message][0] for (message,) in found)


def _messages(database: Path) -> dict[str, tuple[str, str]]:
    """Each message by its key without the way it went: its Message-ID and what became of it."""
    columns = "id, key, recipient, channel, priority, subject, body, created_ms, attempts, last_error"
    with closing(sqlite3.connect(database)) as db:
        db.row_factory = sqlite3.Row
        rows = db.execute(f"SELECT {columns}, state FROM outbox").fetchall()  # noqa: S608  fixed
    made = ((OutboxMessage(**{name: row[name] for name in columns.split(", ")}), row["state"]) for row in rows)
    return {
        one.key.rpartition("-")[0]: (str(build_message(one, _SENDER, LAB_NAME)["Message-ID"]), state)
        for one, state in made
    }


def _stored(database: Path) -> tuple[int, int]:
    """How many rows, and how many different readings (series and second) among those that were sent."""
    with closing(sqlite3.connect(database)) as db:
        (rows,) = db.execute("SELECT count(*) FROM readings").fetchone()
        (distinct,) = db.execute(
            "SELECT count(*) FROM (SELECT DISTINCT series, t FROM readings WHERE t % 1000 = 0 AND t >= ?)",
            (_START_S * 1000,),
        ).fetchone()
    return rows, distinct
