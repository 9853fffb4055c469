"""The diary from the command line: noting without a collector, refusals, listings."""

import json
from collections.abc import Callable
from threading import Thread

import pytest

from collector.cli.main import main
from collector.config.home import Home
from collector.domain.diary import DiaryEntry, DiaryKind
from collector.store.batch import Batch, ReplyRow
from collector.store.requests import Reply
from collector.store.watch_state import WatchState, write_state
from tests.services.waiting import wait_until
from tests.worlds.brew_home import AT_TOP, CLASS, journal_of, take_all
from tests.worlds.values import DAY, HOUR, MIN, T0

# Noting without a collector -----------------------------------------------------------------------------------------


def test_what_is_noted_waits_for_the_collector(brew_home: Home, said: Callable[..., str]) -> None:
    """It says so, and that hands want washing; then it stands in the diary at the time it was said."""
    out = said("diary", "add", "watered", "--at", "juniper/top", "--amount", "500 mL", "--note", "dry edge", *CLASS)
    assert out.splitlines()[0] == "noted; the collector is not running and takes it up when it does"
    assert "soap and running water for 20 seconds" in out
    assert "1 more wait" in said("diary", "list")
    take_all(brew_home, T0 + HOUR)
    with journal_of(brew_home) as journal:
        watered = DiaryEntry(
            id=1,
            t_ms=T0,
            taken_ms=T0 + HOUR,
            place="juniper/top",
            kind=DiaryKind.WATERED,
            amount=0.5,
            result=None,
            by="class 4b",
            note="dry edge",
        )
        assert journal.diary() == [watered]


@pytest.mark.parametrize(
    ("when", "t_ms"),
    [
        ("07:40", T0 - 20 * MIN),
        ("7:40", T0 - 20 * MIN),
        ("08:00", T0),
        ("20 min", T0 - 20 * MIN),
        ("2026-03-01 17:00", T0 - 15 * HOUR),
        ("2026-03-02T07:00Z", T0 - HOUR),
        ("2026-03-01", T0 - 32 * HOUR),
    ],
)
def test_when_it_was_done(brew_home: Home, said: Callable[..., str], when: str, t_ms: int) -> None:
    """The time today, with a date, or how long ago."""
    said("diary", "add", "fed", "--at", "juniper/top", "--when", when, *CLASS)
    take_all(brew_home)
    with journal_of(brew_home) as journal:
        assert [entry.t_ms for entry in journal.diary()] == [t_ms]


ADD = ("diary", "add")


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (
            (*ADD, "watered", *AT_TOP, "--when", "08:01"),
            "--when '08:01' is still to come; for yesterday write '2026-03-01 08:01'",
        ),
        ((*ADD, "watered", *AT_TOP, "--when", "2026-03-02 08:01"), "--when '2026-03-02 08:01' is still to come"),
        (
            (*ADD, "watered", *AT_TOP, "--when", "soon"),
            "--when 'soon' is not a time; write '08:30', '2026-03-02 08:30'",
        ),
        ((*ADD, "watered", *AT_TOP, "--when", "25:00"), "--when '25:00' is not a time"),
        ((*ADD, "watered", *AT_TOP, "--when", "0001-01-01"), "the time is more than a year ago"),
        ((*ADD, "watered", "--at", "juniper/tpo", *CLASS), "did you mean 'juniper/top'?"),
        ((*ADD, "watered", "--at", "kettle", *CLASS), "watered is noted at a tray or a bin or a planter"),
        ((*ADD, "watered", *AT_TOP, "--amount", "0.5"), "'0.5' has no unit"),
        ((*ADD, "watered", *AT_TOP, "--amount", "-1 L"), "out of range for watered"),
        (
            (*ADD, "squeeze", *AT_TOP, "--result", "75 %"),
            "is not a result of a squeeze test; say one of: dry (crumbles",
        ),
        ((*ADD, "watered", "--at", "juniper/top", "--by", " "), "a role or a group"),
        ((*ADD, "watered", *AT_TOP, "--note", "a\x1b[2J"), "the note holds the control character U+001B"),
        (("diary", "strike", "1", *CLASS), "there is no diary entry 1"),
        (("diary", "list", "--at", "juniper/tpo"), "--at juniper/tpo: no such place in lab.yaml"),
        (("brew", "start", "--at", "juniper", *CLASS), "tea is brewed in a brewer, and juniper is a bin; here: kettle"),
        (("brew", "end", "--at", "kettle", *CLASS), "no brew runs in kettle; start one with"),
        (("brew", "end", "--at", "kettle", "--air-stopped", "09:00", *CLASS), "--air-stopped '09:00' is still to come"),
        (("brew", "strike", "1", *CLASS), "there is no brew 1"),
    ],
)
def test_slips_are_one_line_and_nothing_is_written(
    refused: Callable[..., str], arguments: tuple[str, ...], line: str
) -> None:
    """Also where no collector runs that could say it."""
    assert line in refused(*arguments)


def test_what_waits_is_reckoned_with(brew_home: Home, said: Callable[..., str], refused: Callable[..., str]) -> None:
    """A second brew is refused while the first only waits to be taken up, its end is not, and a strike finds what
    waits; requests of other kinds are passed over."""
    said("brew", "start", "--at", "kettle", "--when", "1 h", *CLASS)
    said("alarms", "acknowledge", "bedding-hot", "--at", "juniper/top", *CLASS)
    assert "a brew runs in kettle since 2026-03-02 07:00" in refused("brew", "start", "--at", "kettle", *CLASS)
    assert "the end, 2026-03-02 06:59" in refused("brew", "end", "--at", "kettle", "--when", "06:59", *CLASS)
    said("brew", "end", "--at", "kettle", *CLASS)
    said("diary", "add", "blanket", *AT_TOP)
    said("diary", "strike", "1", *CLASS)
    assert "struck already" in refused("diary", "strike", "1", *CLASS)


def test_help_warns_of_names_mains_and_dirty_hands(capsys: pytest.CaptureFixture[str]) -> None:
    """Where the task is done: never a pupil's name; mains beside water; soap."""
    for command, mains in (("diary add", False), ("brew start", True), ("brew end", True)):
        with pytest.raises(SystemExit):
            main([*command.split(), "--help"])
        text = " ".join(capsys.readouterr().out.split())
        assert "never a pupil's name" in text
        assert "soap and running water" in text
        assert ("residual-current device" in text) is mains


def test_what_the_collector_refuses_in_the_end_is_said(
    brew_home: Home, at_eight: Callable[[int], None], capsys: pytest.CaptureFixture[str]
) -> None:
    """Another was quicker by a moment: what the collector answers counts, in one line and with exit 1."""
    write_state(brew_home.sign_of_life, WatchState(alive_ms=T0))

    def collect() -> None:
        with journal_of(brew_home) as journal:
            wait_until(journal.pending_requests, "the request")
            (request,) = journal.pending_requests()
            refused = Reply(False, "a brew runs in kettle since just now")
            journal.commit(Batch(replies=[ReplyRow(request.id, T0, refused)]), T0)

    collector = Thread(target=collect)
    collector.start()
    assert main(["brew", "start", "--at", "kettle", *CLASS, "--home", str(brew_home.path)]) == 1
    collector.join()
    assert capsys.readouterr() == ("", "a brew runs in kettle since just now\n")


# Seeing what was noted ----------------------------------------------------------------------------------------------


@pytest.fixture
def some_days(brew_home: Home) -> None:
    entries = {
        1: DiaryEntry(
            id=1,
            t_ms=T0 - 2 * DAY,
            taken_ms=T0 - 2 * DAY,
            place="juniper",
            kind=DiaryKind.FED,
            amount=0.25,
            result=None,
            by="class 4b",
        ),
        2: DiaryEntry(
            id=2,
            t_ms=T0 - DAY,
            taken_ms=T0 - DAY,
            place="juniper/top",
            kind=DiaryKind.NOTE,
            amount=None,
            result=None,
            by="class 4b",
            note="slip",
            struck_ms=T0 - HOUR,
            struck_by="teacher",
        ),
        3: DiaryEntry(
            id=3,
            t_ms=T0 - HOUR,
            taken_ms=T0,
            place="juniper-2",
            kind=DiaryKind.WATERED,
            amount=None,
            result=None,
            by="teacher",
        ),
    }
    with journal_of(brew_home) as journal:
        journal.commit(Batch(diary=entries), T0)


def test_an_empty_diary_says_so(said: Callable[..., str]) -> None:
    """Nothing is no error."""
    assert said("diary", "list") == "nothing noted\n"
    assert json.loads(said("diary", "list", "--json")) == []


@pytest.mark.usefixtures("some_days")
def test_the_diary_is_listed(said: Callable[..., str]) -> None:
    """In the lab's time, oldest first; what was struck stays, with who struck it."""
    lines = said("diary", "list").splitlines()
    assert lines[1].split() == ["1", "2026-02-28", "08:00", "juniper", "fed", "0.25", "kg", "class", "4b"]
    assert lines[2].endswith("(struck out by teacher) slip")
    assert len(lines) == 4


@pytest.mark.usefixtures("some_days")
def test_the_diary_of_a_place_or_a_time(said: Callable[..., str]) -> None:
    """A bin shows its trays, not the bin whose name begins the same; since then means from then on."""

    def numbers(*arguments: str) -> list[int]:
        return [one["number"] for one in json.loads(said("diary", "list", "--json", *arguments))]

    assert numbers("--at", "juniper") == [1, 2]
    assert numbers("--at", "juniper/top") == [2]
    assert numbers("--at", "juniper-2") == [3]
    assert numbers("--since", "1 d") == [2, 3]
    assert numbers("--at", "room") == []


@pytest.mark.usefixtures("some_days")
def test_the_diary_for_programs(said: Callable[..., str]) -> None:
    """Every field by name, times in UTC, the unit beside the amount."""
    one, two, _ = json.loads(said("diary", "list", "--json"))
    assert one == {
        "number": 1,
        "time": "2026-02-28T08:00:00Z",
        "noted": "2026-02-28T08:00:00Z",
        "at": "juniper",
        "kind": "fed",
        "amount": 0.25,
        "unit": "kg",
        "result": None,
        "by": "class 4b",
        "note": "",
        "struck": None,
        "struck_by": "",
    }
    assert (two["amount"], two["unit"], two["struck"], two["struck_by"]) == (
        None,
        None,
        "2026-03-02T07:00:00Z",
        "teacher",
    )


def test_amounts_are_noted_and_shown_in_us_units(brew_home: Home, said: Callable[..., str]) -> None:
    """Cups, fluid ounces and ounces of food are taken; JSON is metric."""
    lab = brew_home.lab_file
    lab.write_text(lab.read_text(encoding="utf-8").replace("units: metric", "units: us"), encoding="utf-8")
    said("diary", "add", "watered", "--amount", "2 cups", *AT_TOP)
    said("diary", "add", "watered", "--amount", "8 fl oz", *AT_TOP)
    said("diary", "add", "fed", "--amount", "12 oz", *AT_TOP)
    take_all(brew_home)
    out = said("diary", "list")
    assert all(words in out for words in ("watered  16 fl oz", "watered  8 fl oz", "fed      12 oz"))
    listed = json.loads(said("diary", "list", "--json"))
    assert [(one["amount"], one["unit"]) for one in listed] == [
        (pytest.approx(0.473176473), "L"),
        (pytest.approx(0.2365882365), "L"),
        (pytest.approx(0.3401942775), "kg"),
    ]


def test_a_squeeze_test_is_shown_as_what_was_felt(brew_home: Home, said: Callable[..., str]) -> None:
    """The word, never a number."""
    said("diary", "add", "squeeze", "--result", "damp", *AT_TOP)
    take_all(brew_home)
    assert "squeeze  damp" in said("diary", "list")
    (one,) = json.loads(said("diary", "list", "--json"))
    assert (one["result"], one["amount"]) == ("damp", None)
