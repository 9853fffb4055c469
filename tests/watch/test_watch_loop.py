"""The loop of `watch`: upkeep, damage found in use, a changed lab.yaml, stopping with readings in hand, odd brokers."""

import random
import sqlite3
import struct
import threading
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

import pytest

from collector.config.home import Home
from collector.domain.lab import series_keys
from collector.domain.problems import Refused
from collector.intake.inbox import IncomingMessage, Intake
from collector.store.batch import Batch
from collector.store.connection import PAGE_BYTES
from collector.store.errors import HomeLocked, StoreError
from collector.store.journal import Journal
from collector.store.requests import reply_of
from collector.store.watch_state import read_state
from collector.watch.observer import Observer
from collector.watch.upkeep import every, usual_times
from tests.cli.in_process import InProcess
from tests.intake.odd_brokers import CONNECT, SUBSCRIBE, OddBroker, accepts, subscribed
from tests.services.free_port import free_port
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.worlds.home import LAB, hot_pack, make_home
from tests.worlds.values import DAY

pytestmark = pytest.mark.service

WITH_ONE_MORE = LAB.replace(
    "people:",
    "  maple-middle:\n    place: maple/middle\n    topic: worms/maple/middle\n    format: number\n"
    "    channels: {temperature: {measure: bedding_temperature, unit: degC}}\npeople:",
)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return make_home(tmp_path / "home")


def ask(home: Path, query: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(f"{(home / 'traywarden.db').as_uri()}?mode=ro", uri=True)) as db:
        return db.execute(query).fetchall()


def replies(home: Path) -> list[tuple[bool, str]]:
    """What became of each request so far: done or not, in which words."""
    found = [
        reply_of(str(text)) for (text,) in ask(home, "SELECT result FROM requests ORDER BY id") if text is not None
    ]
    return [(reply.done, reply.words) for reply in found]


def held(home: Path) -> int:
    return int(str(ask(home, "SELECT count(*) FROM readings")[0][0]))


def new_ones(home: Path, since_s: int) -> int:
    return sum(int(str(t)) >= since_s * 1000 for (t,) in ask(home, "SELECT t FROM readings"))


def old_readings(home: Path, number: int, every_ms: int, first_ms: int) -> None:
    """So many readings of Juniper's top tray, as an earlier run would have stored them."""
    lab = Home(home).load_lab()
    with Journal(home / "traywarden.db", lab.time_zone, first_ms) as journal:
        series = journal.series_id(series_keys(lab)[0], "degC", "juniper", "top", first_ms)
        rows = [(first_ms + n * every_ms, series, 21.5, 1, 21.5, 0) for n in range(number)]
        journal.commit(Batch(rows=[(*row,) for row in rows]), first_ms)


def test_upkeep_is_done_by_its_table_of_times(home: Path, mosquitto: Mosquitto) -> None:
    """Summaries appear without anybody asking; the interval is shortened here from five minutes."""
    with InProcess(home, mosquitto.port, times=usual_times() | {"tidy": every(1)}) as watch:
        watch.until_said("connected")
        mosquitto.publish("worms/juniper/top", hot_pack(time.time() - 7_200, 21.5))
        watch.until(lambda: len(ask(home, "SELECT * FROM hourly")) == 2, "the hours to be summed up")


def test_who_would_be_told_is_asked_again_each_day(home: Path, mosquitto: Mosquitto) -> None:
    """The log warns each time while there are places with nobody; the interval is shortened here from a day."""
    assert usual_times()["reach"].get_next_fire_time(None, datetime(2026, 3, 2, tzinfo=UTC)).day == 2
    with InProcess(home, mosquitto.port, times=usual_times() | {"reach": every(1)}) as watch:
        watch.until_said("nobody would be told of a high alarm now, anywhere", 3)


def test_old_readings_go_in_as_many_steps_as_it_takes(home: Path, mosquitto: Mosquitto) -> None:
    """More than one step of retention holds: one asking deletes them all and keeps their summaries."""
    now_ms = time.time_ns() // 1_000_000
    old_readings(home, 120_000, 1_000, now_ms - 30 * DAY)
    with InProcess(home, mosquitto.port, keep_days=5) as watch:
        watch.until_said("connected")
        mosquitto.publish("worms/juniper/top", hot_pack(now_ms / 1000 - 1, 21.5))
        watch.until(lambda: held(home) == 120_002, "the new ones")
        watch.daemon.ask("tidy")  # by which retention knows that it is not the clock that is ahead
        watch.daemon.ask("retention")
        watch.until(lambda: held(home) == 2, "the old ones to go")
    assert len(ask(home, "SELECT * FROM hourly")) >= 33


def spoil_readings(database: Path) -> None:
    """Random bytes over every page that holds readings of 21.5 degC."""
    source = random.Random(1)  # noqa: S311  repeatable, not secret
    data = database.read_bytes()
    value = struct.pack(">d", 21.5)
    with database.open("r+b") as file:
        for start in range(PAGE_BYTES, len(data), PAGE_BYTES):
            page = data[start : start + PAGE_BYTES]
            if page[0] == 0x0D and page.count(value) > 10:
                file.seek(start)
                file.write(source.randbytes(PAGE_BYTES))


def test_damage_found_while_running_is_set_aside_and_collecting_goes_on(home: Path, mosquitto: Mosquitto) -> None:
    """Old pages turn to garbage under a running collector: what comes in before, during and after is stored once, the
    damaged file is kept, and the log and the events say what was salvaged."""
    now_ms = time.time_ns() // 1_000_000
    old_readings(home, 5_000, 600_000, now_ms - 60 * DAY)  # most of them older than what a start reads
    start_s = now_ms // 1000 - 60

    def publish() -> None:
        for number in range(20):
            mosquitto.publish("worms/juniper/top", hot_pack(start_s + number, 22.0))

    with InProcess(home, mosquitto.port, keep_days=5) as watch:
        watch.until_said("connected")
        mosquitto.publish("worms/juniper/top", hot_pack(start_s - 1, 22.0))
        watch.until(lambda: held(home) == 5_002, "the first reading")
        spoil_readings(home / "traywarden.db")
        publisher = threading.Thread(target=publish)
        publisher.start()
        watch.daemon.ask("retention")
        watch.until_said("setting it aside and starting again")
        watch.until_said("connected", 2)
        publisher.join()
        watch.until(lambda: new_ones(home, start_s - 1) == 42, "all that was sent")
        watch.daemon.ask("retention")
        mosquitto.publish("worms/room/air", "19.5")
        watch.until(lambda: new_ones(home, start_s - 1) == 43, "one more after upkeep")
    assert sum("journal damaged" in line for line in watch.log) == 1
    assert sum("salvaged" in line for line in watch.log) == 1
    assert len(list(home.glob("traywarden.db.damaged-*"))) == 1
    assert len(ask(home, "SELECT * FROM events WHERE kind = 'journal damaged'")) == 1


def test_damage_found_at_the_start_is_set_aside_too(home: Path, mosquitto: Mosquitto) -> None:
    """Pages lost while it was off: said in one line with what was salvaged, kept, and collecting begins."""
    old_readings(home, 5_000, 60_000, time.time_ns() // 1_000_000 - 10 * DAY)
    spoil_readings(home / "traywarden.db")
    with InProcess(home, mosquitto.port) as watch:
        watch.until_said("connected")
        mosquitto.publish("worms/juniper/top", hot_pack(time.time() - 1, 21.5))
        watch.until(lambda: held(home) >= 2, "a reading in the new journal")
    assert sum("kept as traywarden.db.damaged-" in line for line in watch.log) == 1
    assert len(list(home.glob("traywarden.db.damaged-*"))) == 1


def test_a_good_lab_file_is_taken_up_and_a_bad_one_refused(home: Path, mosquitto: Mosquitto) -> None:
    """A slip: its lines are logged, the old lab goes on. Mended and with a new probe: that one is read."""
    with InProcess(home, mosquitto.port) as watch:
        watch.until_said("connected")
        (home / "lab.yaml").write_text(LAB.replace("format: number", "format: numbers"), encoding="utf-8")
        watch.daemon.reload()
        watch.until_said("did you mean 'number'?")
        mosquitto.publish("worms/room/air", "19.5")
        watch.until(lambda: held(home) == 1, "the old lab to go on")
        (home / "lab.yaml").write_text(WITH_ONE_MORE, encoding="utf-8")
        watch.until_said("lab.yaml changed: taken up")
        watch.until_said("connected", 2)
        mosquitto.publish("worms/maple/middle", "20.5")
        watch.until(lambda: held(home) == 2, "the new probe to be read")
        starts = ask(home, "SELECT detail FROM events WHERE kind = 'started' ORDER BY id")
        assert starts == [("",), ("lab.yaml changed",)]  # the second is not the collector failing


class SaidOfItself:
    """Every state that the collector writes of itself while the block runs, without gaps longer than a file is read."""

    def __init__(self, path: Path) -> None:
        self.stopped = 0
        self._path = path
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look, name="looks at the state", daemon=True)

    def _look(self) -> None:
        while not self._over.is_set():
            state = read_state(self._path)
            self.stopped += state is not None and state.stopped

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join(10)


def test_taking_up_a_lab_file_is_no_stop(home: Path, mosquitto: Mosquitto) -> None:
    """Who asks in between must not be told that nobody is watching."""
    with InProcess(home, mosquitto.port) as watch:
        watch.until_said("connected")
        with SaidOfItself(Home(home).sign_of_life) as seen:
            (home / "lab.yaml").write_text(WITH_ONE_MORE, encoding="utf-8")
            watch.daemon.reload()
            watch.until_said("connected", 2)
        assert seen.stopped == 0
    state = read_state(Home(home).sign_of_life)
    assert state is not None
    assert state.stopped


def test_a_lab_file_is_not_taken_up_while_the_rules_cannot_be_used(home: Path, mosquitto: Mosquitto) -> None:
    """Both were edited, the rules with a slip: the collector says so and goes on instead of ending."""
    with InProcess(home, mosquitto.port) as watch:
        watch.until_said("connected")
        (home / "rules" / "site.yaml").write_text("alarms: {bedding-hot: {kind: hihg}}\n", encoding="utf-8")
        (home / "lab.yaml").write_text(LAB.replace("worms/+/air", "worms/room/air"), encoding="utf-8")
        watch.daemon.reload()
        watch.until_said("rules/site.yaml:1")
        mosquitto.publish("worms/room/air", "19.5")
        watch.until(lambda: held(home) == 1, "it to go on")


class _Receives(Observer):
    """Notes when a message has come."""

    def __init__(self) -> None:
        self.received = threading.Event()

    def began(self) -> None:
        self.received.set()


def test_stopping_commits_what_is_in_hand(home: Path, mosquitto: Mosquitto) -> None:
    """A single reading at QoS 0, received and waiting for company on a clock that stands still, is stored by an orderly
    stop."""
    observer = _Receives()
    with InProcess(home, mosquitto.port, observer=observer, steady=lambda: 1_000.0) as watch:
        watch.until_said("connected")
        watch.until(lambda: ask(home, "SELECT * FROM events WHERE kind = 'link up'"), "the start to be stored")
        mosquitto.publish("worms/room/air", "19.5", qos=0)
        watch.until(observer.received.is_set, "it to be received")
        time.sleep(0.5)  # longer than it would wait for company
        assert held(home) == 0
    assert held(home) == 1
    assert ask(home, "SELECT kind FROM events ORDER BY id DESC LIMIT 1") == [("stopped",)]


def test_a_message_that_meets_a_mistake_of_ours_is_refused_alone(
    home: Path, mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is counted, kept and logged in one line; the next one is a reading."""
    accept = Intake.accept

    def stumbling(intake: Intake, message: IncomingMessage, now_ms: int) -> None:
        if message.payload == b"1":
            raise RuntimeError("two\nlines")
        accept(intake, message, now_ms)

    monkeypatch.setattr(Intake, "accept", stumbling)
    with InProcess(home, mosquitto.port) as watch:
        watch.until_said("connected")
        mosquitto.publish("worms/room/air", "1")
        mosquitto.publish("worms/room/air", "2")
        watch.until(lambda: held(home) == 1, "the other message")
        assert ask(home, "SELECT value FROM counters WHERE name = 'rejected'") == [(1,)]
        (line,) = (line for line in watch.log if "mistake in the program" in line)
        assert "\n" not in line


def test_a_topic_that_is_no_text_is_kept_as_such(home: Path) -> None:
    """A broker that lets broken UTF-8 through cannot stop the collecting."""

    def answer(kind: int, body: bytes) -> bytes:
        if kind == CONNECT:
            return accepts("3.1.1")
        return subscribed("3.1.1", body) + b"\x30\x05\x00\x02\xff\xfe1" if kind == SUBSCRIBE else b""

    with OddBroker(answer) as odd, InProcess(home, odd.port, version="3.1.1") as watch:
        watch.until_said("connected")
        watch.until(lambda: ask(home, "SELECT topic FROM unplaced"), "the message")
        assert ask(home, "SELECT topic FROM unplaced") == [("(topic that is not UTF-8)",)]


def test_the_same_trouble_is_logged_once_however_often_it_comes(home: Path) -> None:
    """A broker whose rules keep us from reading: several attempts, one line; the link is down for `status`."""

    def answer(kind: int, body: bytes) -> bytes:
        return accepts("5") if kind == CONNECT else subscribed("5", body, 0x87) if kind == SUBSCRIBE else b""

    with OddBroker(answer) as odd, InProcess(home, odd.port) as watch:
        watch.until(lambda: odd.connections >= 3, "three attempts")
        state = read_state(Home(home).sign_of_life)
        assert state is not None
        assert state.link_trouble.startswith(f"broker 127.0.0.1:{odd.port} does not let us read 'worms/#'")
        said = [line for line in watch.log if "nobody would be told" not in line]
        assert len([line for line in said if "does not let us read" in line]) == len(said) == 1


def test_a_request_of_another_version_is_answered(home: Path, mosquitto: Mosquitto) -> None:
    """It is not left waiting for ever, and the answer says what is the matter."""
    with InProcess(home, mosquitto.port) as watch:
        watch.until_said("connected")
        with closing(sqlite3.connect(home / "traywarden.db")) as db, db:
            db.execute("INSERT INTO requests(kind, body, at_ms) VALUES('harvest-moon', '{}', 1)")
        answer = [(False, "this version does not know the request 'harvest-moon'")]
        watch.until(lambda: replies(home) == answer, "the answer")


def test_a_request_that_cannot_be_read_is_refused(home: Path, mosquitto: Mosquitto) -> None:
    """Left open, it would wait for ever. Broken text in one is no reason either."""
    with InProcess(home, mosquitto.port) as watch:
        watch.until_said("connected")
        with closing(sqlite3.connect(home / "traywarden.db")) as db, db:
            body = '{"rule": "bedding-hot", "place": "juniper/top", "until_ms": "soon"}'
            db.execute("INSERT INTO requests(kind, body, at_ms) VALUES('shelve', ?, 1)", (body,))
            body = '{"rule": "x\\udcff", "place": "juniper/top", "by": "teacher"}'
            db.execute("INSERT INTO requests(kind, body, at_ms) VALUES('acknowledge', ?, 1)", (body,))
        watch.until(lambda: ask(home, "SELECT count(result) FROM requests") == [(2,)], "both answers")
        first, (done, words) = replies(home)
        assert first == (False, "the request 'shelve' cannot be read: Expected `int`, got `str` - at `$.until_ms`")
        assert not done
        assert "x?" in words


def _no_lab(home: Path) -> None:
    (home / "lab.yaml").unlink()


def _bad_rules(home: Path) -> None:
    (home / "rules" / "site.yaml").write_text("alarms: 3\n", encoding="utf-8")


def _no_home(home: Path) -> None:
    if home.exists():
        home.rename(home.with_name("moved"))


def _other_program(home: Path) -> None:
    with closing(sqlite3.connect(home / "traywarden.db")) as db:
        db.execute("CREATE TABLE albums(title)")


@pytest.mark.parametrize(
    ("spoil", "error", "says"),
    [
        (_no_lab, Refused, "traywarden init"),
        (_bad_rules, Refused, "rules/site.yaml:1"),
        (_no_home, StoreError, "no such folder; make it with: traywarden init"),
        (_other_program, StoreError, "a database of another program, left alone"),
    ],
)
def test_a_home_that_cannot_be_used_is_refused_at_the_start(
    home: Path, spoil: Callable[[Path], None], error: type[Exception], says: str
) -> None:
    """Nothing is connected, nothing left running, the lock is free again."""
    spoil(home)
    for _ in range(2):
        watch = InProcess(home, free_port())
        with pytest.raises(error, match=says) as raised, watch:
            wait_until(lambda: watch.raised is not None, "the refusal")  # noqa: B023
        assert not isinstance(raised.value, HomeLocked)
        assert watch.log == []
