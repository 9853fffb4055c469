"""The uplink follows the journal: everything once, in order, over every kind of trouble at the other end."""

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from collector.alarms.model import Event, State
from collector.store.batch import Batch
from collector.store.journal import Journal
from collector.store.line_protocol import LabTags
from collector.store.reader import Reader
from collector.uplink.destination import Destination
from collector.uplink.follower import Follower, deliver
from collector.uplink.queue import UplinkStore, uplink_state
from collector.uplink.writer import InfluxWriter, Later
from tests.services.log_lines import log_to
from tests.services.waiting import wait_until
from tests.uplink.far_end import TOKEN, Answer, FarEnd
from tests.uplink.lab_journal import HOUR, MIN, NOW, T0, add_readings, change, fill, opened, series_of, watered

ORIGIN = LabTags("Quillbrook School worm lab", "Quillbrook, north")


@pytest.fixture
def far() -> Iterator[FarEnd]:
    with FarEnd() as running:
        yield running


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with opened(tmp_path) as kept:
        yield kept


class Uplink:
    """A follower whose turns the test takes."""

    def __init__(self, journal: Journal, far: FarEnd, token: str = TOKEN, busy_s: float = 10) -> None:
        self.log: list[str] = []
        self.now_ms = NOW
        self.store = UplinkStore(journal.path, busy_s)
        self.writer = InfluxWriter(Destination(url=far.url, bucket="worms", org="quillbrook", token=token, timeout_s=5))
        self.follower = Follower(self.store, self.writer, ORIGIN, lambda: self.now_ms, log_to(self.log))

    def all(self) -> None:
        """Until there is nothing to send."""
        while self.follower.send_one():
            pass

    def close(self) -> None:
        self.writer.close()
        self.store.close()


@pytest.fixture
def uplink(journal: Journal, far: FarEnd) -> Iterator[Uplink]:
    fill(journal)
    running = Uplink(journal, far)
    yield running
    running.close()


def test_everything_arrives_in_order_with_whole_times(uplink: Uplink, far: FarEnd) -> None:
    """Readings, alarm changes, diary and brew of before the first start too; times are whole milliseconds."""
    uplink.all()
    temperature = far.named("bedding_temperature")
    assert len(temperature) == 30
    assert temperature[3] == (
        {
            "lab": "Quillbrook School worm lab",
            "site": "Quillbrook, north",
            "place": "juniper/top",
            "bin": "juniper",
            "tray": "top",
            "probe": "juniper-top",
            "channel": "temperature",
        },
        T0 + 3 * MIN,
        {"value": 20.03, "flag": 1, "raw": 20.03},
    )
    assert len(far.named("bedding_moisture")) == 30
    assert [(tags["event"], t, fields["count"]) for tags, t, fields in far.named("alarm")] == [
        ("raised", T0 + MIN, 1),
        ("acknowledged", T0 + 2 * MIN, 1),
    ]
    assert far.named("alarm")[1][2]["by"] == "teacher"
    assert [(tags["kind"], fields.get("amount"), fields.get("result")) for tags, _, fields in far.named("diary")] == [
        ("watered", 0.5, None),
        ("squeeze", None, "damp"),
    ]
    assert [(tags["event"], t) for tags, t, _ in far.named("brew")] == [
        ("start", T0),
        ("air-stopped", T0 + 2 * HOUR),
        ("end", T0 + 3 * HOUR),
    ]
    readings = far.order[-60:]
    assert readings == sorted(readings)
    assert far.queries[0] == {"org": ["quillbrook"], "bucket": ["worms"], "precision": ["ms"]}


def test_what_is_sent_is_not_sent_again(uplink: Uplink, journal: Journal, far: FarEnd) -> None:
    """A start anew goes on where the last one was."""
    uplink.all()
    before = far.writes
    uplink.close()
    again = Uplink(journal, far)
    again.all()
    assert far.writes == before
    add_readings(journal, range(30, 31))
    again.all()
    assert len(far.named("bedding_temperature")) == 31
    again.close()


def test_late_readings_are_sent_too(uplink: Uplink, journal: Journal, far: FarEnd) -> None:
    """Those that come in behind the position, hours afterwards, also while the program was stopped."""
    uplink.all()
    add_readings(journal, range(10), start_ms=T0 - 5 * HOUR)
    uplink.all()
    assert [t for _, t, _ in far.named("bedding_temperature")][:2] == [T0 - 5 * HOUR, T0 - 5 * HOUR + MIN]
    assert len(far.named("bedding_temperature")) == 40


def test_a_reading_that_slips_in_while_its_portion_is_on_its_way_is_not_lost(
    uplink: Uplink, journal: Journal, far: FarEnd
) -> None:
    """The position does not pass it: the portion is taken again."""
    store = uplink.store
    uplink.all()
    add_readings(journal, range(40, 50))
    portion = store.take(NOW, 1000)
    add_readings(journal, range(30, 45))
    assert not store.done(portion, (), NOW)
    uplink.all()
    assert len(far.named("bedding_temperature")) == 50


def test_a_change_while_the_one_before_is_on_its_way_is_sent(uplink: Uplink, journal: Journal, far: FarEnd) -> None:
    """An entry struck out between its sending and its mark is sent again, struck."""
    portion = uplink.store.take(NOW, 1000)
    batch = Batch()
    batch.diary = {1: replace(watered(), struck_ms=NOW, struck_by="teacher")}
    journal.commit(batch, NOW)
    uplink.store.done(portion, (), NOW)
    uplink.all()
    assert far.named("diary")[0][2]["struck"] is True


def test_a_reading_from_beyond_the_present_waits_for_its_time(uplink: Uplink, journal: Journal, far: FarEnd) -> None:
    """One wrong clock does not carry the position past all other readings."""
    add_readings(journal, range(1), start_ms=NOW + 1000 * HOUR)
    uplink.all()
    add_readings(journal, range(30, 60))
    uplink.all()
    assert len(far.named("bedding_temperature")) == 60
    uplink.now_ms = NOW + 1000 * HOUR
    uplink.all()
    assert len(far.named("bedding_temperature")) == 61


@pytest.mark.parametrize("status", [401, 403, 404, 408, 425, 429, 500, 502, 503, 504, 0])
def test_trouble_that_may_pass_is_waited_for(uplink: Uplink, far: FarEnd, status: int) -> None:
    """Nothing is set aside, nothing lost; the same portion goes out afterwards."""
    far.answers.append(Answer(status))
    with pytest.raises(Later):
        uplink.follower.send_one()
    uplink.all()
    assert len(far.named("bedding_temperature")) == 30


@pytest.mark.parametrize(
    ("given", "wait_s"),
    [
        ({"Retry-After": "17"}, 17.0),
        ({"Retry-After": "999999"}, 3_600.0),
        ({"Retry-After": "Mon, 02 Mar 2026 18:01:00 GMT"}, 60.0),
        ({"Retry-After": "Mon, 02 Mar 2026 08:00:00 GMT"}, 0.0),
    ],
)
def test_retry_after_is_heeded(uplink: Uplink, far: FarEnd, given: dict[str, str], wait_s: float) -> None:
    """In seconds or as a date (RFC 9110 section 10.2.3), bounded by an hour."""
    far.answers.append(Answer(503, given))
    assert uplink.follower.turn() == wait_s


@pytest.mark.parametrize("given", [{}, {"Retry-After": "soon"}])
def test_without_it_the_wait_grows(uplink: Uplink, journal: Journal, far: FarEnd, given: dict[str, str]) -> None:
    """From some seconds to some minutes, and starts anew after a success."""
    far.answers += [Answer(503, given)] * 9
    waits = [uplink.follower.turn() for _ in range(9)]
    assert 3.5 <= waits[0] <= 5
    assert waits[8] > 200
    assert all(wait <= 300 for wait in waits)
    assert uplink.follower.turn() < 1
    add_readings(journal, range(30, 40), now_ms=NOW)
    far.answers.append(Answer(503, given))
    assert uplink.follower.turn() <= 5


def test_a_bad_token_is_told_once_and_never_shown(uplink: Uplink, journal: Journal, far: FarEnd) -> None:
    """One line in the log and in the status that names the setting; when it is right the data goes on."""
    uplink.close()
    wrong = Uplink(journal, far, token="another-made-up-one")
    wrong.follower.turn()
    wrong.follower.turn()
    assert len(wrong.log) == 1
    assert "401" in wrong.log[0]
    assert "TRAYWARDEN_UPLINK__TOKEN" in wrong.log[0]
    assert "another-made-up-one" not in wrong.log[0]
    with Reader(journal.path) as reader:
        state = uplink_state(reader, NOW)
    assert state is not None
    assert "401" in state.note
    assert state.waiting == 60 + 5
    wrong.close()
    right = Uplink(journal, far)
    right.all()
    right.close()
    assert len(far.named("bedding_temperature")) == 30


def test_an_answer_that_is_lost_repeats_what_has_arrived(uplink: Uplink, far: FarEnd) -> None:
    """Written twice on the same keys: nothing is there twice."""
    far.answers.append(Answer(0, after=True))
    with pytest.raises(Later):
        uplink.follower.send_one()
    uplink.all()
    assert len(far.named("alarm")) == 2
    assert len(far.named("bedding_temperature")) == 30


def test_too_large_is_sent_in_pieces(uplink: Uplink, far: FarEnd) -> None:
    """413 halves a write until it fits."""
    far.most_bytes = 700
    uplink.all()
    assert len(far.named("bedding_temperature")) == 30
    assert far.writes > 20


def test_lines_that_are_refused_are_set_aside_with_the_reason(uplink: Uplink, journal: Journal, far: FarEnd) -> None:
    """Just these; all others arrive. Counted and shown."""
    far.refuses = "bedding_moisture,bin=juniper,channel=moisture,lab=Quillbrook\\ School\\ worm\\ lab"
    far.refuses = f" {T0 + 4 * MIN}"
    uplink.all()
    assert len(far.named("bedding_temperature")) == 29
    with Reader(journal.path) as reader:
        state = uplink_state(reader, NOW)
    assert state is not None
    assert (state.aside, state.waiting) == (2, 0)
    assert "400" in state.reasons[0]
    assert "field type conflict" in state.reasons[0]
    assert any("2 lines set aside" in line for line in uplink.log)


@pytest.mark.parametrize("tries", [1, 3, 12])
def test_a_server_that_refuses_everything_is_an_outage(uplink: Uplink, far: FarEnd, tries: int) -> None:
    """A proxy that answers 400 to all, however long: nothing is set aside, and each try costs some dozen writes."""
    far.refuses = "="
    for _ in range(tries):
        with pytest.raises(Later, match="all of it is refused"):
            uplink.follower.send_one()
    assert far.writes < 40 * tries
    far.refuses = ""
    uplink.all()
    assert len(far.named("alarm")) == 2
    assert len(far.named("bedding_temperature")) == 30
    assert not any("set aside" in line for line in uplink.log)


def test_lines_that_are_refused_do_not_hold_up_the_rest(uplink: Uplink, far: FarEnd) -> None:
    """Every change of an alarm is refused, and no reading: the changes are set aside, beside readings taken."""
    far.refuses = "count="
    uplink.all()
    assert len(far.named("bedding_temperature")) == 30
    assert far.named("alarm") == []
    assert any("lines set aside" in line for line in uplink.log)


def test_many_bad_lines_at_the_beginning_are_told_from_an_outage(far: FarEnd) -> None:
    """Where the first of a portion are refused, others from all over it are asked before it is given up."""
    far.refuses = "bad"
    lines = [f"{'bad' if n < 50 else 'good'},lab=q value={n} {T0 + n}" for n in range(100)]
    writer = InfluxWriter(Destination(url=far.url, bucket="worms", token=TOKEN, timeout_s=5))
    assert [line for _, line in deliver(writer, lines, NOW)] == lines[:50]
    writer.close()


def test_an_outage_of_days_is_filled_in_order_while_the_journal_is_written(
    uplink: Uplink, journal: Journal, far: FarEnd
) -> None:
    """Two days of readings queue; then all arrive in order, with new ones coming in meanwhile."""
    add_readings(journal, range(30, 2 * 1440), now_ms=NOW)
    uplink.now_ms = T0 + 50 * HOUR
    stop = threading.Event()
    thread = threading.Thread(target=uplink.follower.run, args=(stop,))
    thread.start()
    for minute in range(2 * 1440, 2 * 1440 + 40):
        add_readings(journal, range(minute, minute + 1))
    wait_until(lambda: len(far.points) >= 2 * (2 * 1440 + 40) + 7, "all readings at the other end", 30)
    stop.set()
    thread.join(10)
    assert len(far.named("bedding_moisture")) == 2 * 1440 + 40
    times = far.order[7:]
    assert times == sorted(times)


def test_a_database_that_is_locked_is_waited_for(uplink: Uplink, journal: Journal, far: FarEnd) -> None:
    """Trouble with the journal ends nothing; the next turn goes on."""
    hasty = Uplink(journal, far, busy_s=0.05)
    with closing(sqlite3.connect(journal.path, isolation_level=None)) as blocker:
        blocker.execute("BEGIN IMMEDIATE")
        assert hasty.follower.turn() > 1
        blocker.execute("ROLLBACK")
    hasty.close()
    uplink.all()
    assert len(far.named("bedding_temperature")) == 30


def test_changes_after_the_start_are_followed(uplink: Uplink, journal: Journal, far: FarEnd) -> None:
    """Each change of an alarm goes out without being asked for."""
    uplink.all()
    number, _ = series_of(journal)
    batch = Batch()
    batch.transitions.append(change(number, Event.CLEARED, State.ACKNOWLEDGED, State.NORMAL, T0 + 9 * MIN))
    journal.commit(batch, NOW)
    uplink.all()
    assert [tags["event"] for tags, _, _ in far.named("alarm")] == ["raised", "acknowledged", "cleared"]
