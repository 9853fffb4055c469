"""The collector as a process whose rule files change while readings come in from a real broker."""

import fcntl
import os
import signal
import sqlite3
import subprocess
import sys
import termios
import threading
import time
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any, Self

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from collector.store.reader import Reader
from collector.store.tables.alarm_rows import PastChange
from collector.store.vocabulary import EventKind
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.store.samples import happened
from tests.worlds.home import HOT_AT_ONCE, hot_pack, make_home

pytestmark = pytest.mark.service

WARM = """\
alarms:
  bedding-warmish:
    kind: high
    measure: bedding_temperature
    setpoint: 29.9 degC
    on_delay: 0.3 s
    off_delay: 0.2 s
    priority: low
    consequence: Nothing yet.
    corrective_action: Look again later.
    time_to_respond: 1 d
    basis: made up for a test
"""
BAD = "alarms: {bedding-hot: {setpoint: hot}, bedding-warmsh: {enabled: no}}\n"
TURNS = 20


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return make_home(tmp_path / "home")


@pytest.fixture
def watch(home: Path, mosquitto: Mosquitto) -> Watch:
    return Watch(home, {"MQTT__PORT": mosquitto.port}).start()


def reread(watch: Watch, until: str) -> None:
    """Send SIGHUP and wait for the answer in the log."""
    before = watch.log.count(until)
    os.kill(watch.pid, signal.SIGHUP)
    wait_until(lambda: watch.log.count(until) > before, f"'{until}' in the log:\n{watch.log}", 20)


def rule_events(home: Path) -> list[tuple[int, str, str]]:
    """(t_ms, kind, detail) of each change of the rules, oldest first."""
    return [event for event in happened(home / "traywarden.db") if event[1] == EventKind.RULES_CHANGED]


def history(home: Path, name: str) -> list[tuple[Any, ...]]:
    with Reader(home / "traywarden.db") as reader:
        return [_told(change) for change in reversed(reader.history(at_most=10_000)) if change.rule == name]


def _told(change: PastChange) -> tuple[Any, ...]:
    """All but when it was noticed."""
    return (change.place, change.event, change.before, change.after, change.t_ms, change.since_ms, change.raised_ms,
            change.value, change.worst, change.by)  # fmt: skip


def messages(home: Path) -> list[str]:
    """What people were told, by the files of the outbox."""
    return sorted(path.read_text(encoding="utf-8") for path in (home / "outbox").glob("*") if path.is_file())


class Stream:
    """A probe that swings gently over and under the setpoint, 20 readings a second, from a thread of its own."""

    def __init__(self, broker: Mosquitto) -> None:
        self.sent = 0
        self._client = Client(CallbackAPIVersion.VERSION2, "stream")
        self._client.connect(broker.host, broker.port)
        self._client.loop_start()
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._start_s = time.time()

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._done.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()

    def _run(self) -> None:
        while not self._done.wait(0.05):
            celsius = (28.6, 29.4, 30.3, 31.2, 30.4, 29.5, 28.8, 28.4)[self.sent // 5 % 8] + self.sent % 5 / 50
            t_s = max(time.time(), self._start_s + self.sent / 1000)
            self._client.publish("worms/juniper/top", hot_pack(t_s, celsius), 1).wait_for_publish(10)
            self.sent += 1

    def wait_for(self, more: int) -> None:
        until = self.sent + more
        wait_until(lambda: self.sent >= until, f"{more} more readings on their way", 30)


@pytest.mark.slow
def test_changed_rules_under_load_lose_miss_and_double_nothing(
    home: Path, tmp_path: Path, mosquitto: Mosquitto
) -> None:
    """Two collectors hear the same stream, one of them with its rules changed 20 times back and forth, and a bad file
    in between: the same readings, the same history of the alarm that no change touches, one connection throughout."""
    changed = Watch(home, {"MQTT__PORT": mosquitto.port, "MQTT__CLIENT_ID": "changed"}).start()
    plain = Watch(make_home(tmp_path / "plain"), {"MQTT__PORT": mosquitto.port, "MQTT__CLIENT_ID": "plain"}).start()
    extra = home / "rules" / "extra.yaml"
    with Stream(mosquitto) as stream:
        for turn in range(TURNS):
            stream.wait_for(7)
            if turn == TURNS // 2:
                extra.write_text(BAD, encoding="utf-8")
                reread(changed, "the rules: as before")
            if turn % 2:
                extra.unlink()
            else:
                extra.write_text(WARM, encoding="utf-8")
            reread(changed, "alarms in force")
        stream.wait_for(7)
    for watch in (changed, plain):
        _all_stored(watch, 2 * stream.sent)
        assert watch.stop() == 0

    assert changed.exported() == plain.exported()
    told = history(home, "bedding-hot")
    assert told == history(plain.home, "bedding-hot")
    assert len(told) > 4
    assert _noticed(home, "bedding-hot") == _noticed(plain.home, "bedding-hot") == len(told)
    assert len(messages(home)) == 1  # the first change; the others come together a minute later
    assert len(rule_events(home)) == TURNS
    assert changed.log.count(" connected") == 1
    assert changed.log.count("not taken up") == 2
    _never_twice(history(home, "bedding-warmish"))


def _all_stored(watch: Watch, number: int) -> None:
    watch.run("alarms", "acknowledge", "nothing", "--at", "room", "--by", "anyone", code=1)  # an answer is no waiting
    with Reader(watch.home / "traywarden.db") as reader:
        wait_until(lambda: reader.readings_count() == number, f"{number} readings", 30)


def _about(home: Path, limit: str) -> int:
    return sum(f"limit {limit}" in text for text in messages(home))


def _noticed(home: Path, name: str) -> int:
    """How many changes of the alarm a person was told or is still to hear."""
    with closing(sqlite3.connect(home / "traywarden.db")) as db:
        return int(db.execute("SELECT count(*) FROM notices WHERE rule = ?", (name,)).fetchone()[0])


def _never_twice(changes: list[tuple[Any, ...]]) -> None:
    """An alarm that comes and goes with its rule: each state follows from the one before, no change stands twice."""
    assert len(changes) > 4
    for before, after in pairwise(changes):
        assert (after[2], after != before) == (before[3], True)
    assert len(set(changes)) == len(changes)


def test_a_changed_file_is_taken_up_by_itself(watch: Watch, home: Path, mosquitto: Mosquitto) -> None:
    """Without any signal, within seconds: the next reading is judged by the new rule; mistakes are told in the log
    and leave it in force."""
    site = home / "rules" / "site.yaml"
    site.write_text(HOT_AT_ONCE.replace("30 degC", "20 degC"), encoding="utf-8")
    wait_until(lambda: "rules changed: changed bedding-hot" in watch.log, "the change in the log", 15)
    mosquitto.publish("worms/juniper/top", hot_pack(time.time(), 21.0))
    wait_until(lambda: watch.status()["alarms"], "the alarm by the new setpoint", 15)
    site.write_text("alarms: {bedding-hot: {setpoint: 20}}\n", encoding="utf-8")
    wait_until(lambda: "as before, until that is put right" in watch.log, "the refusal in the log", 15)
    assert "not taken up: rules/site.yaml:1:34 alarms.bedding-hot.setpoint: 20 has no unit" in watch.log
    assert watch.status()["alarms"][0]["name"] == "bedding-hot"
    watch.stop()
    assert [detail for _, _, detail in rule_events(home)] == ["changed bedding-hot"]


def test_removing_a_rule_closes_its_alarm_in_one_transaction_with_the_record(
    watch: Watch, home: Path, mosquitto: Mosquitto
) -> None:
    """The alarm that stood is closed in the history; acknowledgement and state of the others stay."""
    (home / "rules" / "more.yaml").write_text(HOT_AT_ONCE.replace("bedding-hot", "tray-hot"), encoding="utf-8")
    reread(watch, "added tray-hot")
    mosquitto.publish("worms/juniper/top", hot_pack(time.time(), 33.0))
    wait_until(lambda: len(watch.status()["alarms"]) == 2, "both alarms")
    watch.run("alarms", "acknowledge", "bedding-hot", "--at", "juniper/top", "--by", "class 4b")
    (home / "rules" / "more.yaml").unlink()
    reread(watch, "removed tray-hot")
    wait_until(lambda: len(watch.status()["alarms"]) == 1, "one alarm closed")
    assert [(one["name"], one["state"]) for one in watch.status()["alarms"]] == [("bedding-hot", "acknowledged")]
    closed = history(home, "tray-hot")[-1]
    assert (str(closed[1]), closed[4]) == ("rule-removed", rule_events(home)[-1][0])
    watch.stop()


def test_a_changed_lab_with_bad_rules_beside_it_goes_on_with_the_rules_before(watch: Watch, home: Path) -> None:
    """A new lab file means starting over; rules that were refused must not end the watch then. The same lab file
    again means nothing."""
    (home / "rules" / "bad.yaml").write_text(BAD, encoding="utf-8")
    reread(watch, "the rules: as before")
    reread(watch, "lab.yaml: read again, means the same as before")
    assert watch.log.count(" connected") == 1
    lab = home / "lab.yaml"
    lab.write_text(
        lab.read_text(encoding="utf-8").replace("Quillbrook School worm lab", "Quillbrook"), encoding="utf-8"
    )
    os.kill(watch.pid, signal.SIGHUP)
    wait_until(lambda: watch.log.count(" connected") == 2, "the new start", 20)
    assert "lab.yaml changed: taken up" in watch.log
    assert watch.running
    watch.stop()
    assert rule_events(home) == []


def test_a_change_waits_for_a_journal_that_cannot_be_written(watch: Watch, home: Path, mosquitto: Mosquitto) -> None:
    """What has come is judged by the old rules and must be safe before the new ones hold; then they are taken up."""
    journal, aside = home / "traywarden.db", home / "aside"
    journal.rename(aside)
    mosquitto.publish("worms/juniper/top", hot_pack(time.time(), 33.0))
    wait_until(lambda: "journal cannot be written" in watch.log, "the journal to be missed", 20)
    (home / "rules" / "site.yaml").write_text("alarms: {}\n", encoding="utf-8")
    os.kill(watch.pid, signal.SIGHUP)
    aside.rename(journal)
    wait_until(lambda: "rules changed: changed bedding-hot" in watch.log, "the change", 60)
    assert watch.log.index("can be written again") < watch.log.index("rules changed")
    watch.stop()
    assert [str(change[1]) for change in history(home, "bedding-hot")] == ["raised"]
    assert [detail for _, _, detail in rule_events(home)] == ["changed bedding-hot"]


def test_rules_changed_while_nobody_watched_are_recorded_at_the_start(watch: Watch, home: Path) -> None:
    """So that the history can always be read beside the rules of its time."""
    watch.stop()
    (home / "rules" / "site.yaml").write_text("alarms: {bedding-cool: {enabled: no}}\n", encoding="utf-8")
    watch.start()
    watch.stop()
    assert [detail for _, _, detail in rule_events(home)] == ["removed bedding-cool; changed bedding-hot"]


def test_a_watch_in_a_window_ends_with_the_window(home: Path, mosquitto: Mosquitto) -> None:
    """The signal that asks for a new reading is also what a closed terminal sends: then it stops, in order."""
    watch = Watch(home, {"MQTT__PORT": mosquitto.port})
    window, inside = os.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "collector.cli.main", "watch", "--home", str(home)],
        env=watch.environment(),
        stdin=inside,
        stdout=inside,
        stderr=inside,
        start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
    ) as process:
        os.close(inside)
        said = b""
        while b" connected" not in said:
            said += os.read(window, 1_000)
        os.kill(process.pid, signal.SIGHUP)
        while b"the rules: read again" not in said:
            said += os.read(window, 1_000)
        os.close(window)
        assert process.wait(20) == 0
    assert happened(home / "traywarden.db")[-1][1] == EventKind.STOPPED
