"""`kill -9` at random moments while readings come in, of the collector, the broker, or both, with full disks and mail
outages mixed in.

Everything is real: Mosquitto, the collector as a process, an SMTP server. Each cycle publishes a run of packs, some
readings without a time among them, and kills somebody somewhere in the middle of it; nobody is asked to save first. The
first kill is the broker's, in the first second of the collector's session. What the broker confirmed is compared with
the journal at the end, and the mail with the alarms that were recorded. A full disk is a file size limit set on the
running process from outside.

Packs come hundreds of times as fast as in a lab, so the broker saves every AUTOSAVE_S instead of each minute: what is
lost reaches back as far as that, whatever it is (`lost_before_kill_s`).

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

from collector.config.clock import system_now
from collector.config.settings import Mail
from collector.delivery.mail import build_message
from collector.store.outbox import OutboxMessage
from collector.store.vocabulary import EventKind
from tests.bench.crash_publisher import Kill, Publisher, compare
from tests.bench.lab import LAB_NAME, make_home
from tests.cli.in_process import InProcess
from tests.services.mosquitto import Mosquitto
from tests.services.saved_sessions import SavedSessions
from tests.services.smtp_server import SmtpServer
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.home import HOT_AT_ONCE

AUTOSAVE_S = 3
_RULE = "bedding-hot"
_SENDER = "traywarden@quillbrook.example"
_PEOPLE = tuple(f"class-{number}" for number in range(1, 9))
_EVERY = {"full disks": 6, "mail outages": 4}
"""Every so many cycles."""
_IN_TURN = ("new session", "collector", "broker", "collector", "both")
_SENDING_S = 3.0
_QUIET_S = 4.0


@dataclass(slots=True)
class _Bench:
    """The parts, and what was done so far."""

    watch: Watch
    broker: Mosquitto
    mail: SmtpServer
    publisher: Publisher
    chance: random.Random
    kills: list[Kill] = field(default_factory=list)
    done: Counter[str] = field(default_factory=Counter)
    sent: int = 0


def measure(whole: bool) -> dict[str, float | int]:
    return run(packs=266_667 if whole else 20_000, kills=100 if whole else 10, seed=20_260_302)


def run(packs: int, kills: int, seed: int) -> dict[str, float | int]:
    """`packs` of three readings each, and a quarter as many single ones, spread over `kills` cycles."""
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as name, SmtpServer() as mail:
        home = make_home(Path(name) / "home", _PEOPLE)
        (home / "rules").mkdir()
        (home / "rules" / "site.yaml").write_text(HOT_AT_ONCE, encoding="utf-8")
        saves = [f"autosave_interval {AUTOSAVE_S}"]
        broker = Mosquitto(Path(name) / "broker", settings=saves)
        with broker, SavedSessions(home, broker), Publisher(broker.port) as publisher:
            settings = {"PORT": mail.port, "HOST": mail.host, "SENDER": _SENDER, "SECURITY": "none"}
            watch = Watch(home, {"MQTT__PORT": broker.port, **{f"MAIL__{key}": one for key, one in settings.items()}})
            chance = random.Random(seed)  # noqa: S311  repeatable, not secret
            bench = _Bench(watch, broker, mail, publisher, chance)
            watch.start()
            for cycle in range(kills):
                _cycle(bench, cycle, packs * (cycle + 1) // kills)
            found = _settle(bench)
    return {"kills": kills, "autosave_s": AUTOSAVE_S, **bench.done, **found, "seconds": round(time.monotonic() - began)}


def _cycle(bench: _Bench, cycle: int, until: int) -> None:
    who = _IN_TURN[cycle] if cycle < len(_IN_TURN) else bench.chance.choice(_IN_TURN[1:])
    due = [what for what, every in _EVERY.items() if cycle % every == every - 1]
    if "mail outages" in due:
        bench.mail.stop()
    sending = threading.Thread(target=bench.publisher.send, args=(bench.sent, until, _SENDING_S))
    sending.start()
    if "full disks" in due:
        resource.prlimit(bench.watch.pid, resource.RLIMIT_FSIZE, (4_096, resource.RLIM_INFINITY))
    time.sleep(bench.chance.uniform(0.2, 1.0 if who == "new session" else _SENDING_S))
    _kill(bench, who)
    sending.join()
    bench.sent = until
    if "full disks" in due and who in ("broker", "new session"):  # that collector lives on
        resource.prlimit(bench.watch.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    if "mail outages" in due:
        bench.mail.start()
    bench.done.update([*(what.replace(" ", "_") for what in due), f"killed_{who.replace(' ', '_')}"])


def _kill(bench: _Bench, who: str) -> None:
    """Without a word to anybody, and up again."""
    began_s, saved_s = time.monotonic(), bench.broker.saved_ago_s()
    before = bench.watch.log.count(" connected, ")
    if who != "collector":
        bench.broker.kill(saved=False)
    if who in ("collector", "both"):
        bench.watch.kill()
    if who != "collector":
        time.sleep(bench.chance.uniform(0.0, 1.0))
        bench.broker.start()
    if who in ("collector", "both"):
        bench.watch.start()
    else:
        wait_until(lambda: bench.watch.log.count(" connected, ") > before, "the collector to find the broker", 90)
    bench.kills.append(Kill(who, began_s, time.monotonic(), began_s - saved_s))


def _settle(bench: _Bench) -> dict[str, float | int]:
    """Wait until nothing more is on its way, then compare."""
    watch = bench.watch
    _wait_for_quiet(watch)
    wait_until(lambda: watch.status()["outbox"]["waiting"] == 0, "all mail", 90)
    watch.stop()
    database = watch.home / "traywarden.db"
    _tell_the_rest(watch.home, bench.broker.port, bench.mail)
    changes = len(_changes(database))
    unconfirmed = {key for key, state in _messages(database).values() if state == "unconfirmed"}
    copies = Counter(str(one.message["Message-ID"]) for one in bench.mail.accepted)
    told = _changes_by_message(database)
    arrived = [key for key in told if copies[key]]
    due = changes * len(_PEOPLE)
    return {
        **compare(database, bench.publisher, bench.kills),
        "new_sessions": _new_sessions(database),
        "hot_spells": bench.publisher.hot,
        "changes": changes,
        "due": due,
        "told": sum(told[key] for key in arrived),
        "messages": len(copies),
        "told_twice": copies.total() - len(copies) + sum(told.values()) - due,
        "unconfirmed": len(unconfirmed),
        "never_told": due - sum(told[key] for key in {*arrived, *(unconfirmed & told.keys())}),
    }


def _wait_for_quiet(watch: Watch) -> None:
    """Until nothing has been added for a while: what is lost cannot be waited for."""
    held, since_s = -1, time.monotonic()
    while time.monotonic() < since_s + _QUIET_S:
        time.sleep(0.25)
        if (now_held := watch.status()["readings"]) != held:
            held, since_s = now_held, time.monotonic()


def _new_sessions(database: Path) -> int:
    """How often the journal says that the broker had forgotten the collector."""
    with closing(sqlite3.connect(database)) as db:
        return int(db.execute("SELECT count(*) FROM events WHERE kind = ?", (EventKind.NEW_SESSION,)).fetchone()[0])


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
