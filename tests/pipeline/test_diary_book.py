"""The diary in the collector's memory: requests taken up, what engines are told, what a restart knows."""

import json
from collections.abc import Callable

import pytest

from collector.alarms.contexts import parse_condition
from collector.config.home import Home
from collector.intake.inbox import IncomingMessage
from collector.pipeline.diary_book import DiaryBook, book_of, contexts_of
from collector.store.requests import BookRequest, BrewEnd, BrewStart, BrewStrike, DiaryAdd, DiaryStrike
from tests.services.mosquitto import Mosquitto
from tests.services.watching import Watch
from tests.worlds.brew_home import AT_TOP, CLASS, journal_of, pipeline_of, take_all
from tests.worlds.home import hot_pack
from tests.worlds.values import HOUR, MIN, T0


@pytest.mark.parametrize(
    ("request_", "said"),
    [
        (DiaryAdd(kind="", place="juniper", by="x"), "is not a diary kind"),
        (DiaryAdd(kind="fed", place="attic", by="x"), "attic"),
        (DiaryStrike(number=7, by="x"), "7"),
        (BrewStrike(number=7, by="x"), "7"),
        (BrewEnd(place="kettle", by="x"), "kettle"),
    ],
)
def test_what_cannot_be_noted_is_refused(brew_home: Home, request_: BookRequest, said: str) -> None:
    """Whatever stands in it: a refusal in one line, and nothing is changed."""
    book = DiaryBook(brew_home.load_lab())
    before = book.contexts
    taken = book.take(request_, T0, T0)
    assert not taken.reply.done
    assert (taken.entry, taken.brew) == (None, None)
    assert said in taken.reply.words
    assert "\n" not in taken.reply.words
    assert book.contexts is before


def test_answers_say_what_was_noted(brew_home: Home) -> None:
    """With its number, by which it can be struck, and what follows from it."""
    book = DiaryBook(brew_home.load_lab())
    by = "class 4b"
    requests: list[BookRequest] = [
        DiaryAdd(kind="watered", place="juniper/top", amount="0.5 L", t_ms=T0 - HOUR, by=by),
        DiaryAdd(kind="squeeze", place="juniper/top", result="wet", by=by),
        DiaryStrike(number=2, by=by),
        BrewStart(place="kettle", t_ms=T0 - 20 * HOUR, by=by),
        BrewEnd(place="kettle", air_stopped_ms=T0 - HOUR, by=by),
        BrewStrike(number=1, by=by),
    ]
    replies = [book.take(request, T0, T0).reply for request in requests]
    assert all(reply.done for reply in replies)
    assert [reply.words for reply in replies] == [
        "noted as 1: watered juniper/top, 0.5 L at 2026-03-02 07:00",
        "noted as 2: squeeze juniper/top, wet at 2026-03-02 08:00",
        "noted: 2 is struck out: squeeze juniper/top, wet at 2026-03-02 08:00",
        "noted as brew 1: kettle; ready from 2026-03-02 00:00, over at 2026-03-03 00:00",
        "noted: brew 1 in kettle ended; air stopped at 2026-03-02 07:00, use the tea by 2026-03-02 11:00,"
        " not after 2026-03-02 15:00",
        "noted: brew 1 in kettle is struck out",
    ]


def test_a_restart_knows_what_was_noted(brew_home: Home, said: Callable[..., str]) -> None:
    """Contexts made from the journal answer as those in memory did."""
    said("diary", "add", "watered", *AT_TOP)
    said("brew", "start", "--at", "kettle", *CLASS)
    take_all(brew_home)
    with journal_of(brew_home) as journal:
        found = contexts_of(journal, brew_home.load_lab())
        assert book_of(journal, brew_home.load_lab()).last_brew("kettle") == journal.brews()[0]
    assert found.holds(parse_condition("watered within 1 h"), "juniper/top", T0 + MIN)
    assert found.holds(parse_condition("brew running"), "kettle", T0)
    assert not found.holds(parse_condition("brew running"), "kettle", T0 - 1)


# In the collector ---------------------------------------------------------------------------------------------------


def test_what_is_noted_counts_from_after_all_that_was_judged(brew_home: Home) -> None:
    """A probe whose clock is a little ahead: its reading was judged without the entry, and will be again."""
    with journal_of(brew_home) as journal:
        pipeline = pipeline_of(brew_home, journal)
        pipeline.intake.accept(
            IncomingMessage(
                topic="worms/juniper/top",
                payload=hot_pack(T0 / 1000 + 120, 21.0).encode(),
                mid=0,
                redelivered=False,
                retained=False,
            ),
            T0,
        )
        pipeline.settle(T0)
        entry = DiaryAdd(kind="watered", place="juniper/top", by="class 4b")
        assert pipeline.note(entry, T0, T0).words.startswith("noted as 1: ")
        assert pipeline.batch.diary[1].taken_ms == T0 + 120_001
        assert pipeline.batch.diary[1].t_ms == T0
        batch = pipeline.batch
        refused = pipeline.note(DiaryAdd(kind="watered", place="room", by="class 4b"), T0, T0)
        assert not refused.done
        assert refused.words.startswith("watered is noted at")
        assert list(batch.diary) == [1]


@pytest.mark.slow
@pytest.mark.service
def test_a_running_collector_answers_and_keeps(brew_home: Home, mosquitto: Mosquitto) -> None:
    """Noted, struck, refused while the command waits; all of it is there after a kill and a restart."""
    watch = Watch(brew_home.path, {"MQTT__PORT": mosquitto.port}).start()
    out = watch.run("diary", "add", "watered", "--amount", "0.5 L", *AT_TOP)
    assert out.startswith("noted as 1: watered juniper/top, 0.5 L at ")
    assert watch.run("brew", "start", "--at", "kettle", *CLASS).startswith("noted as brew 1: kettle; ready from ")
    second = watch.try_run("brew", "start", "--at", "kettle", *CLASS)
    assert (second.returncode, second.stdout, second.stderr.count("\n")) == (1, "", 1)
    watch.kill()
    watch.start()
    assert watch.run("diary", "strike", "1", "--by", "teacher").startswith("noted: 1 is struck out")
    assert watch.run("brew", "end", "--at", "kettle", *CLASS).startswith("noted: brew 1 in kettle ended")
    (entry,) = json.loads(watch.run("diary", "list", "--json"))
    assert entry["struck_by"] == "teacher"
    assert json.loads(watch.run("brew", "show", "--json"))[0]["state"] == "ended"
    assert watch.stop() == 0
