"""The digest and the weekly report: when they go out, to whom, and that they never go twice."""

from dataclasses import replace
from pathlib import Path

import pytest

from collector.alarms.model import AlarmKey, Event, State, Transition
from collector.config.home import Home
from collector.delivery.addressing import addressees_of
from collector.domain.lab import Person, SeriesKey
from collector.pipeline.pipeline import Pipeline
from collector.reports.due import DueReports
from collector.store.batch import Batch, HistoryRow
from collector.store.journal import Journal
from collector.store.outbox import OutboxStore
from tests.cli.in_process import InProcess
from tests.reports.test_digest_view import fill
from tests.services.mosquitto import Mosquitto
from tests.worlds.brew_home import journal_of, make_brew_home, pipeline_of
from tests.worlds.home import hot_pack, make_home
from tests.worlds.values import DAY, HOUR, MIN, T0

SEVEN = T0 - HOUR
"""Monday 2 March 2026, 07:00 UTC."""
TEACHER = Person(role="teacher", email="teacher@quillbrook.example")
CARETAKER = Person(role="caretaker", chat="caretaker-phone", digest=True)
MAINTAINER = Person(role="maintainer", email="maintainer@quillbrook.example", digest=False, weekly=True)


@pytest.fixture(autouse=True)
def heard(brew_home: Home) -> None:
    """The lab has been heard for days."""
    fill(brew_home, SEVEN - 4 * DAY)


def reports_of(home: Home, journal: Journal, *people: Person) -> DueReports:
    lab = replace(home.load_lab(), people=people)
    return DueReports(home=home, lab=lab, ways=lambda person: addressees_of(person, None), said=journal.meta(), told=())


def written(reports: DueReports, home: Home, pipeline: Pipeline, journal: Journal, now_ms: int) -> list[str]:
    """What a collector does with what is due; the keys of the messages, without their address part."""
    due = reports.due(home.load_rules(), now_ms)
    pipeline.report(due.messages, due.meta, due.told, now_ms)
    journal.commit(pipeline.batch, now_ms)
    pipeline.start_batch()
    return [message.key.rpartition("-")[0] for message in due.messages]


@pytest.mark.slow
def test_each_gets_what_is_theirs_once(brew_home: Home) -> None:
    """On a Monday the digest for those who want it, by mail or chat, and the weekly report for the maintainer; asked
    again, and by a collector that starts anew, nothing more."""
    with journal_of(brew_home) as journal:
        pipeline = pipeline_of(brew_home, journal)
        reports = reports_of(brew_home, journal, TEACHER, CARETAKER, MAINTAINER)
        assert written(reports, brew_home, pipeline, journal, SEVEN - 1) == []
        assert written(reports, brew_home, pipeline, journal, SEVEN) == [
            "digest-2026-03-02-teacher",
            "digest-2026-03-02-caretaker",
            "weekly-2026-03-02-maintainer",
        ]
        assert written(reports, brew_home, pipeline, journal, SEVEN + MIN) == []
        again = reports_of(brew_home, journal, TEACHER, CARETAKER, MAINTAINER)
        assert written(again, brew_home, pipeline, journal, SEVEN + 2 * MIN) == []
        assert written(again, brew_home, pipeline, journal, SEVEN + DAY) == [
            "digest-2026-03-03-teacher",
            "digest-2026-03-03-caretaker",
        ]
    with OutboxStore(brew_home.database) as outbox:
        first = outbox.take_next(SEVEN + DAY)
    assert first is not None
    assert first.subject == "Quillbrook School worm lab, Monday 2 Mar: all is well."
    assert first.body.startswith(first.subject.split(",")[0])
    assert "Squeeze a handful" in first.body
    assert "<html" in first.html.lower()


def too_cool(journal: Journal, until_ms: int) -> None:
    """Juniper's top tray was too cool for a day, up to then."""
    key = SeriesKey(probe="juniper-top", channel="temperature", measure="bedding_temperature", place="juniper/top")
    number = journal.series_id(key, "Cel", "juniper", "top", T0)
    ended = Transition(
        key=AlarmKey("bedding-cool", number),
        event=Event.CLEARED,
        before=State.UNACKNOWLEDGED,
        after=State.RETURNED,
        t_ms=until_ms,
        since_ms=until_ms - DAY + HOUR,
        raised_ms=until_ms - DAY + HOUR,
        value=12.5,
    )
    row = HistoryRow(
        transition=ended, place="juniper/top", measure="bedding_temperature", priority="medium", noticed_ms=until_ms
    )
    journal.commit(Batch(transitions=[row]), until_ms)


def test_a_digest_tells_of_all_since_the_last_one(brew_home: Home) -> None:
    """After a long weekend what came and went on Friday evening is in it; the next morning it is not told again."""
    with journal_of(brew_home) as journal:
        pipeline = pipeline_of(brew_home, journal)
        reports = reports_of(brew_home, journal, TEACHER)
        written(reports, brew_home, pipeline, journal, SEVEN - 3 * DAY)
        too_cool(journal, SEVEN - 2 * DAY)
        due = reports.due(brew_home.load_rules(), SEVEN)
        assert "bedding temperature too low Friday 08:00 to Saturday 07:00" in " ".join(due.messages[0].body.split())
        tomorrow = reports.due(brew_home.load_rules(), SEVEN + DAY)
        assert "too low" not in tomorrow.messages[0].body


def test_nobody_who_wants_one_means_no_report(brew_home: Home) -> None:
    """The day counts as done all the same, so that nothing is gathered each minute."""
    with journal_of(brew_home) as journal:
        reports = reports_of(brew_home, journal, replace(TEACHER, digest=False))
        due = reports.due(brew_home.load_rules(), SEVEN)
        assert due.messages == ()
        assert set(due.meta) == {"digest_day", "digest_ms", "weekly_day"}
        assert reports.due(brew_home.load_rules(), SEVEN).meta == {}


@pytest.mark.service
def test_the_running_collector_sends_it_once_over_a_restart(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Started at seven on a school morning it writes the digest; stopped and started again it does not."""
    home = make_home(tmp_path / "lab")
    fill(Home(home), SEVEN - DAY)
    outbox = Home(home).outbox_folder
    for turn in range(2):
        with InProcess(home, mosquitto.port, now=lambda turn=turn: SEVEN + turn * MIN) as watch:  # type: ignore[misc]
            watch.until_said("connected")  # jobs are done in each turn of the loop before that
            watch.until(lambda: len(list(outbox.glob("*digest-2026-03-02*.eml"))) == 1, "the digest as a file")
    assert len(list(outbox.glob("*.eml"))) == 1


@pytest.mark.service
def test_a_digest_that_is_late_tells_of_what_came_meanwhile(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Off from five to half past seven while a tray gets hot: what the broker kept is judged first, so the digest has
    the alarm that stands, not that all is well."""
    home = make_home(tmp_path / "lab")
    fill(Home(home), SEVEN - DAY)
    with InProcess(home, mosquitto.port, now=lambda: SEVEN - 2 * HOUR) as watch:
        watch.until_said("connected")
    for minute in range(20):
        mosquitto.publish("worms/juniper/top", hot_pack(SEVEN / 1000 + minute * 60, 33.0))
    outbox = Home(home).outbox_folder
    with InProcess(home, mosquitto.port, now=lambda: SEVEN + 30 * MIN) as watch:
        watch.until(lambda: list(outbox.glob("*digest-2026-03-02*.eml")), "the digest as a file")
    (digest,) = outbox.glob("*digest-2026-03-02*.eml")
    text = " ".join(digest.read_text(encoding="utf-8").split())
    assert "all is well" not in text
    assert "Bedding temperature too high, since 07:00; high priority" in text


@pytest.mark.parametrize(("last", "known"), [(SEVEN - 3 * DAY, True), (SEVEN + 400 * DAY, False)])
def test_a_digest_sent_under_a_clock_that_was_ahead_silences_none(brew_home: Home, last: int, known: bool) -> None:
    """A clock a year ahead sent one; once it is right again each morning has its own, that tells of the last day."""
    with journal_of(brew_home) as journal:
        too_cool(journal, SEVEN - 2 * DAY)
        reports = reports_of(brew_home, journal, TEACHER)
        day = "2026-02-27" if known else "2027-04-06"
        reports.said |= {"digest_day": day, "digest_ms": str(last)}
        assert reports.wanted(SEVEN)
        (message,) = reports.due(brew_home.load_rules(), SEVEN).messages
        assert ("too low" in message.body) == known  # it ended two days ago
        assert not reports.wanted(SEVEN)


def test_a_lab_set_up_this_morning_has_nothing_to_report(tmp_path: Path) -> None:
    """No digest and no weekly report with nothing in them; the next morning there is one."""
    home = make_brew_home(tmp_path / "new")
    with journal_of(home) as journal:
        reports = reports_of(home, journal, TEACHER, MAINTAINER)
        due = reports.due(home.load_rules(), SEVEN)
        assert due.messages == ()
        assert due.skipped == (
            "digest not written: no reading has come yet, and it takes 6 h of them; see: traywarden digest"
        )
    fill(home, SEVEN + DAY, hours=20)
    due = reports.due(home.load_rules(), SEVEN + DAY)
    assert (len(due.messages), due.skipped) == (1, "")


def test_what_is_not_written_for_want_of_readings_is_said(tmp_path: Path) -> None:
    """How old the first reading is and how old it must be; on a day without school it is the weekly report alone."""
    home = make_brew_home(tmp_path / "new")
    fill(home, SEVEN, hours=2)
    with journal_of(home) as journal:
        reports = reports_of(home, journal, TEACHER, MAINTAINER)
        reports.said["digest_day"] = "2026-03-02"
        assert reports.due(home.load_rules(), SEVEN).skipped == (
            "weekly report not written: the first reading is 1 h 30 min old, and it takes 6 h of them; "
            "see: traywarden digest"
        )


def test_a_digest_out_of_its_time_takes_nothing_from_that_of_the_morning(tmp_path: Path) -> None:
    """With however few readings, to those who get the digest; the morning's own goes out all the same, in full."""
    home = make_brew_home(tmp_path / "new")
    fill(home, SEVEN + DAY, hours=20)
    with journal_of(home) as journal:
        reports = reports_of(home, journal, TEACHER, MAINTAINER)
        assert reports.hearers() == ("teacher",)
        early = reports.digest_now(home.load_rules(), SEVEN + DAY - HOUR)
        assert (early.meta, early.told, early.skipped) == ({}, (), "")
        assert reports.wanted(SEVEN + DAY)
        morning = reports.due(home.load_rules(), SEVEN + DAY)
        (first,), (second,) = early.messages, morning.messages
        assert first.key != second.key
        assert first.subject == second.subject == "Quillbrook School worm lab, Tuesday 3 Mar: all is well."
