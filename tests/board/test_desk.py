"""Between the pages and a real journal: what is read, what request is left, and what is waited for."""

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from pydantic import SecretStr

from collector.board.desk import JournalLinkDesk
from collector.board.port import LinkWrong, NotNow
from collector.board.words import ON_IT
from collector.config.home import Home
from collector.domain.lab import SeriesKey
from collector.domain.problems import Refused
from collector.letters.links import Ack, sign
from collector.store.asking import Waiting
from collector.store.batch import ReplyRow
from collector.store.requests import Acknowledge, RequestRow
from collector.store.watch_state import WatchState, write_state
from tests.services.log_lines import log_to
from tests.services.waiting import wait_until
from tests.worlds.by_hand import RULES, START, ByHand
from tests.worlds.home import make_home
from tests.worlds.values import MIN

SECRET = "quillbrook-link-secret"


class Lab:
    """A home with Juniper's top tray too hot since minute one, its desk, and a collector driven by hand."""

    def __init__(self, folder: Path) -> None:
        self.home = Home(make_home(folder, RULES))
        self.hand = ByHand(folder)
        self.hand.tray(1, 30.5)
        self.hand.settle(2)
        self.hand.commit()
        self.log: list[str] = []
        self.desk = self.make_desk(answer_s=0.0)
        top = SeriesKey(probe="juniper-top", channel="temperature", measure="bedding_temperature", place="juniper/top")
        self.ack = Ack(
            rule="bedding-hot",
            place="juniper/top",
            series=self.hand.pipeline.numbers[top],
            raised_ms=START + MIN,
            role="teacher",
            expires_ms=START + 60 * MIN,
        )
        self.token = sign(SECRET, self.ack)

    def make_desk(self, answer_s: float) -> JournalLinkDesk:
        return JournalLinkDesk(
            self.home, SecretStr(SECRET), lambda: self.hand.now_ms, log_to(self.log), Waiting(answer_s)
        )

    def alive(self, stopped: bool = False) -> None:
        write_state(self.home.sign_of_life, WatchState(alive_ms=self.hand.now_ms, stopped=stopped))

    def waiting(self) -> list[RequestRow]:
        assert self.hand.journal is not None
        return self.hand.journal.pending_requests()

    def take_up(self) -> None:
        """What the collector does within a second."""
        pipeline = self.hand.pipeline
        for row in self.waiting():
            assert isinstance(row.request, Acknowledge)
            reply = pipeline.order(row.request, self.hand.now_ms)
            pipeline.batch.replies.append(ReplyRow(row.id, self.hand.now_ms, reply))
        self.hand.commit()


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[Lab]:
    made = Lab(tmp_path / "home")
    yield made
    made.hand.close()


def test_looking_leaves_no_request(lab: Lab) -> None:
    """However often."""
    for _ in range(3):
        assert lab.desk.look(lab.token).button == ON_IT
    assert lab.waiting() == []


def test_a_press_leaves_the_request_of_the_link(lab: Lab) -> None:
    """Alarm, place, occurrence, and the role of the link as who; the log says so without the link."""
    assert lab.desk.acknowledge(lab.token) == ""
    (row,) = lab.waiting()
    assert row.request == Acknowledge(rule="bedding-hot", place="juniper/top", by="teacher", raised_ms=START + MIN)
    (line,) = lab.log
    assert line.startswith("'teacher' acknowledges 'bedding-hot' at juniper/top")
    assert lab.token not in line


def test_two_presses_acknowledge_once(lab: Lab) -> None:
    """One after the other, at the same time, by two people, and after it was taken up: one request, one change."""
    other = sign(SECRET, replace(lab.ack, role="class 4b"))
    with ThreadPoolExecutor(4) as pool:
        assert set(pool.map(lab.desk.acknowledge, [lab.token, other] * 4)) == {""}
    assert len(lab.waiting()) == 1
    lab.take_up()
    assert lab.desk.acknowledge(lab.token) == lab.desk.acknowledge(other) == ""
    assert lab.waiting() == []
    assert [event for _, _, event, _ in lab.hand.history()] == ["raised", "acknowledged"]


@contextmanager
def collector_that(take_up: Callable[[], None], lab: Lab) -> Iterator[None]:
    """Runs, and does this once a request is there."""

    def work() -> None:
        wait_until(lab.waiting, "the request")
        take_up()

    lab.alive()
    thread = threading.Thread(target=work)
    thread.start()
    yield
    thread.join(10)


def test_a_press_waits_for_the_collector_and_the_page_then_says_who(lab: Lab) -> None:
    """Taken up while it waits: the page is grey and names the role."""
    with collector_that(lab.take_up, lab):
        assert lab.make_desk(answer_s=10.0).acknowledge(lab.token) == ""
    page = lab.desk.look(lab.token)
    assert page.state == ("teacher is on it, since 08:02.",)
    assert (page.button, page.level, page.waiting) == ("", "", False)


def test_what_the_collector_would_not_do_is_passed_on(lab: Lab) -> None:
    """Others acknowledged it and it ended between the press and the answer: the collector's words come back."""

    def too_late() -> None:
        seen = Acknowledge(rule="bedding-hot", place="juniper/top", by="class 4b")
        lab.hand.pipeline.order(seen, lab.hand.now_ms)
        _cool(lab)
        lab.take_up()

    with collector_that(too_late, lab):
        assert lab.make_desk(answer_s=10.0).acknowledge(lab.token) == "not done: that alarm is over"
    assert lab.desk.look(lab.token).state[0] == "class 4b is on it, since 08:02."


def test_a_collector_that_is_slow_is_not_waited_for_long(lab: Lab) -> None:
    """Noted, and the page looks again by itself."""
    lab.alive()
    assert lab.make_desk(answer_s=0.1).acknowledge(lab.token) == ""
    assert lab.desk.look(lab.token).waiting


@pytest.mark.parametrize("said", [None, "stopped", "old"])
def test_a_collector_that_does_not_run_is_not_waited_for(lab: Lab, said: str | None) -> None:
    """No sign of life, one that says it stopped, one that is too old: noted at once."""
    if said is not None:
        lab.alive(stopped=said == "stopped")
    if said == "old":
        lab.hand.now_ms += 3 * MIN
    assert lab.make_desk(answer_s=60.0).acknowledge(lab.token) == ""
    assert lab.desk.look(lab.token).state[0] == "Noted. The collector takes it up when it runs again."


def _cool(lab: Lab) -> None:
    lab.hand.tray(3, 28.9)
    lab.hand.settle(4)


def _cool_then_hot(lab: Lab) -> None:
    _cool(lab)
    lab.hand.tray(5, 30.5)
    lab.hand.settle(6)


@pytest.mark.parametrize(
    ("then", "says"),
    [(_cool, "It is over."), (_cool_then_hot, "Another one stands since 08:05")],
)
def test_an_occurrence_that_is_over_cannot_be_pressed(lab: Lab, then: Callable[[Lab], None], says: str) -> None:
    """Acknowledged and back to normal, or come again since: said so, no button, and a press leaves nothing."""
    lab.desk.acknowledge(lab.token)
    lab.take_up()
    then(lab)
    lab.hand.commit()
    page = lab.desk.look(lab.token)
    assert page.button == ""
    assert says in " ".join(page.state)
    assert lab.desk.acknowledge(lab.token) == ""
    assert lab.waiting() == []


def test_rules_that_change_are_taken_up(lab: Lab) -> None:
    """As the collector does: once the file has stood unchanged from one look to the next."""
    assert "4 h" in lab.desk.look(lab.token).priority
    text = RULES.replace("time_to_respond: 4 h", "time_to_respond: 90 min")
    (lab.home.rules_folder / "site.yaml").write_text(text, encoding="utf-8")
    lab.desk.look(lab.token)
    assert "1 h 30 min" in lab.desk.look(lab.token).priority


@pytest.mark.parametrize("expired", [False, True])
def test_wrong_links_are_refused(lab: Lab, expired: bool) -> None:
    """Broken, or too old by the clock given."""
    token = lab.token if expired else lab.token[:-1]
    lab.hand.now_ms += 60 * MIN * expired
    for attempt in (lab.desk.look, lab.desk.acknowledge):
        with pytest.raises(LinkWrong) as wrong:
            attempt(token)
        assert wrong.value.expired is expired
    assert lab.waiting() == []


def test_a_journal_that_is_gone_is_not_now(lab: Lab) -> None:
    """Neither looking nor pressing breaks; the line says what is the matter."""
    lab.hand.close()
    lab.home.database.unlink()
    for attempt in (lab.desk.look, lab.desk.acknowledge):
        with pytest.raises(NotNow, match="there is no journal: the collector has not run here yet"):
            attempt(lab.token)


def test_a_broken_lab_file_keeps_it_from_starting(lab: Lab) -> None:
    """As `watch`: every problem by its line."""
    lab.home.lab_file.write_text("lab: [\n", encoding="utf-8")
    with pytest.raises(Refused):
        lab.make_desk(answer_s=0.0)
