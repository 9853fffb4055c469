"""What may be noted, what is refused and with which words, and what counts when."""

from dataclasses import replace
from typing import Any

import pytest

from collector.config.lab_file import read_lab
from collector.domain.diary import (
    AMOUNTS,
    BREW_WINDOW_MS,
    PLACES,
    USE_WITHIN_MS,
    Brew,
    DiaryEntry,
    DiaryKind,
    Feel,
    end_brew,
    last_brew,
    new_entry,
    start_brew,
    strike_brew,
    strike_entry,
)
from collector.domain.lab import Lab
from tests.config.lab_texts import SMALL
from tests.worlds.values import DAY, HOUR, T0

LAB = read_lab(f"{SMALL}  planter-2:\n".replace("  juniper:", "  maple:\n  juniper:"))


def noted(kind: str, place: str = "juniper/top", lab: Lab = LAB, **said: Any) -> DiaryEntry:
    return new_entry(lab, 1, T0, kind=kind, place=place, **{"t_ms": T0, "by": "class 4b", **said})


def refusal(kind: str, place: str = "juniper/top", **said: Any) -> str:
    with pytest.raises(ValueError, match=r".") as refused:
        noted(kind, place, **said)
    assert "\n" not in str(refused.value)
    return str(refused.value)


# Entries ------------------------------------------------------------------------------------------------------------


def test_an_entry_holds_what_was_said() -> None:
    """Amounts in litres, texts without blanks around them."""
    assert noted("watered", amount="500 mL", by=" class 4b ", note=" top layer ", t_ms=T0 - HOUR) == DiaryEntry(
        id=1,
        t_ms=T0 - HOUR,
        taken_ms=T0,
        place="juniper/top",
        kind=DiaryKind.WATERED,
        amount=0.5,
        result=None,
        by="class 4b",
        note="top layer",
    )


def test_a_squeeze_test_is_a_category() -> None:
    """One of three, each described; no number comes near it."""
    assert [noted("squeeze", result=feel).result for feel in ("dry", "damp", "wet")] == list(Feel)
    assert noted("squeeze", result="damp").amount is None


@pytest.mark.parametrize(
    ("kind", "place", "amount", "value"),
    [
        ("fed", "juniper", "200 g", 0.2),
        ("drained", "juniper", "1 gal", 3.785411784),
        ("harvested", "juniper/middle", "2 kg", 2.0),
        ("tea-used", "kettle", "10 L", 10.0),
        ("watered", "planter-1", "5 L", 5.0),
    ],
)
def test_each_amount_in_the_unit_of_its_kind(kind: str, place: str, amount: str, value: float) -> None:
    """Litres of water, kilograms of food and castings, whatever unit was said."""
    assert noted(kind, place, amount=amount).amount == pytest.approx(value)


@pytest.mark.parametrize("kind", list(DiaryKind))
def test_every_kind_has_its_places(kind: DiaryKind) -> None:
    """Each can be noted somewhere, and the most of its amount, where it has one, can be said."""
    place = next(place.id for place in reversed(LAB.places) if place.kind in PLACES[kind])
    amount = f"{AMOUNTS[kind].most:g} {AMOUNTS[kind].unit}" if kind in AMOUNTS else ""
    said: dict[str, Any] = (
        {"result": "dry"} if kind is DiaryKind.SQUEEZE else {"note": "x"} if kind is DiaryKind.NOTE else {}
    )
    place = "juniper/top" if kind is DiaryKind.SQUEEZE else place
    assert noted(kind, place, amount=amount, **said).kind is kind


def test_a_bin_without_trays_can_be_squeezed() -> None:
    """Where there is no tray to name, the bin is the tray."""
    assert noted("squeeze", "maple", result="wet").place == "maple"


@pytest.mark.parametrize(
    ("refused", "said"),
    [
        (("waterd",), "'waterd' is not a diary kind; did you mean 'watered'?"),
        (("watered", "juniper/tp"), "'juniper/tp' is not a place of this lab; did you mean 'juniper/top'?"),
        (("watered", "xyz"), "'xyz' is not a place of this lab; known: maple, juniper, juniper/top"),
        (
            ("watered", "kettle"),
            "watered is noted at a tray or a bin or a planter, and kettle is a brewer; here: maple",
        ),
        (("drained", "juniper/top"), "drained is noted at a bin, and juniper/top is a tray; here: maple, juniper"),
        (("tea-used", "room"), "tea-used is noted at a brewer, and room is a room; here: kettle"),
        (("squeeze", "juniper"), "a squeeze test is of one tray; here: juniper/top, juniper/middle"),
    ],
)
def test_where_and_what_are_checked(refused: tuple[str, ...], said: str) -> None:
    """An unknown kind or place, and a place of the wrong kind, are answered with the right ones."""
    assert refusal(*refused).startswith(said)


def test_a_lab_without_such_a_place_says_so() -> None:
    """Nothing to offer is said, too."""
    bare = read_lab("lab: {name: Worm lab, time_zone: UTC}")
    with pytest.raises(ValueError, match=r"here: there is none in lab\.yaml"):
        noted("fed", "room", lab=bare)


@pytest.mark.parametrize(
    ("kind", "amount", "said"),
    [
        ("watered", "0.5", "'0.5' has no unit"),
        ("watered", "half a cup", "is not a quantity of volume"),
        ("watered", "1 kg", "'kg' is not a unit of volume"),
        ("fed", "1 L", "'L' is not a unit of mass"),
        ("watered", "-1 L", "out of range for watered; more than 0 and at most 50 L"),
        ("watered", "0 L", "out of range"),
        ("watered", "50.1 L", "out of range"),
        ("fed", "25 kg", "more than 0 and at most 20 kg"),
        ("watered", "1e999 L", "too large"),
        ("blanket", "1 L", "blanket has no amount; leave it out"),
    ],
)
def test_amounts_are_checked(kind: str, amount: str, said: str) -> None:
    """Without unit, of another unit, negative, absurd, or where there is none."""
    assert said in refusal(kind, amount=amount)


@pytest.mark.parametrize(
    ("kind", "result", "said"),
    [
        ("squeeze", "", "a squeeze test needs its result: crumbles: dry; holds together, or a drop: damp; drips: wet"),
        ("squeeze", "70 %", "'70 %' is not a result of a squeeze test; say one of: dry (crumbles; falls apart), damp"),
        ("squeeze", "no drop", "'no drop' is not a result of a squeeze test; say one of: dry"),
        ("watered", "damp", "watered has no result; only a squeeze test has one"),
    ],
)
def test_results_are_checked(kind: str, result: str, said: str) -> None:
    """Only a squeeze test has one, and it is one of three words, never a percentage."""
    assert said in refusal(kind, result=result)


@pytest.mark.parametrize("by", ["", "  ", "x" * 61, "class\n4b", "class\u202e4b"])
def test_who_did_it_is_a_short_line(by: str) -> None:
    """Empty, long, with a line break or a direction override: the words say what it is for."""
    assert "a role or a group in plain letters, 60 at most, such as 'class 4b'" in refusal("fed", by=by)


def test_notes_are_one_line() -> None:
    """At most 300 characters, none of them control characters; a note without text is none."""
    assert noted("fed", note="x" * 300).note == "x" * 300
    assert refusal("fed", note="x" * 301) == "the note has 301 characters; 300 is the most"
    assert refusal("fed", note="a\x1bb").startswith("the note holds the control character U+001B")
    assert refusal("note") == "a note needs its text; give it with --note"
    assert noted("note", "room", note="radiator off").note == "radiator off"


def test_times_to_come_and_long_gone_are_refused() -> None:
    """Up to the moment of taking it up, and back to a year."""
    assert noted("fed", t_ms=T0 - 366 * DAY).t_ms == T0 - 366 * DAY
    assert refusal("fed", t_ms=T0 + 1) == "the time is still to come; the diary holds what has been done"
    assert refusal("fed", t_ms=T0 - 366 * DAY - 1) == "the time is more than a year ago; is the year right?"


def test_a_struck_entry_stays_with_who_struck_it() -> None:
    """Nothing is deleted; it counts from when it was taken up until it was struck."""
    entry = noted("fed")
    struck = strike_entry({1: entry}, 1, T0 + HOUR, " teacher ")
    assert struck == replace(entry, struck_ms=T0 + HOUR, struck_by="teacher")
    assert [struck.counts_at(t) for t in (T0 - 1, T0, T0 + HOUR - 1, T0 + HOUR)] == [False, True, True, False]
    assert entry.counts_at(T0 + 99 * DAY)
    with pytest.raises(ValueError, match="diary entry 1 is struck already, by teacher"):
        strike_entry({1: struck}, 1, T0 + HOUR, "teacher")
    with pytest.raises(ValueError, match="there is no diary entry 2; 'traywarden diary list' shows their numbers"):
        strike_entry({1: entry}, 2, T0, "teacher")
    with pytest.raises(ValueError, match="a role or a group"):
        strike_entry({1: entry}, 1, T0, "")


# Brews --------------------------------------------------------------------------------------------------------------


def started(*before: Brew, at_ms: int = T0, taken_ms: int = T0, place: str = "kettle", by: str = "class 4b") -> Brew:
    return start_brew(LAB, before, len(before) + 1, taken_ms, place=place, started_ms=at_ms, by=by, note=" castings ")


def ended(brew: Brew, at_ms: int = T0 + DAY, stopped_ms: int | None = None, **said: Any) -> Brew:
    there = {"place": "kettle", "by": "teacher", **said}
    return end_brew(LAB, [brew], T0 + DAY, ended_ms=at_ms, air_stopped_ms=stopped_ms, **there)


def test_a_brew_starts_and_ends() -> None:
    """Who and when are kept of both; the air stopped when it is said, else at the end."""
    brew = started()
    assert brew == Brew(
        id=1,
        place="kettle",
        started_ms=T0,
        air_stopped_ms=None,
        ended_ms=None,
        taken_ms=T0,
        by="class 4b",
        note="castings",
    )
    assert brew.running
    over = ended(brew)
    assert (over.ended_ms, over.air_stopped_ms, over.ended_taken_ms, over.ended_by) == (
        T0 + DAY,
        T0 + DAY,
        T0 + DAY,
        "teacher",
    )
    assert not over.running
    assert ended(brew, stopped_ms=T0 + HOUR).air_stopped_ms == T0 + HOUR


def test_one_brew_at_a_time_in_a_brewer() -> None:
    """A second start is refused while one runs; after its end another may start, not before it."""
    brew = started()
    with pytest.raises(
        ValueError, match="a brew runs in kettle since 2026-03-02 08:00; end it first: traywarden brew end"
    ):
        started(brew, taken_ms=T0 + HOUR)
    over = ended(brew)
    assert started(over, at_ms=T0 + DAY, taken_ms=T0 + DAY).id == 2
    with pytest.raises(
        ValueError, match="the start, 2026-03-03 07:59, is before the end of the last brew in kettle, 2026-03"
    ):
        started(over, at_ms=T0 + DAY - 1, taken_ms=T0 + DAY)
    assert started(strike_brew({1: brew}, 1, T0, "teacher")).running


def test_where_and_when_of_a_brew_are_checked() -> None:
    """Not in a bin, not in the future, not without a brewer's name; each in one line."""
    with pytest.raises(ValueError, match="tea is brewed in a brewer, and juniper is a bin; here: kettle"):
        started(place="juniper")
    with pytest.raises(ValueError, match="'kettel' is not a place of this lab; did you mean 'kettle'"):
        started(place="kettel")
    with pytest.raises(ValueError, match="still to come"):
        started(at_ms=T0 + 1)
    with pytest.raises(ValueError, match="a role or a group"):
        started(by="")


def test_an_end_must_follow_a_start() -> None:
    """No brew, one ended already, an end before its start, air stopped outside the brew: each says the times."""
    with pytest.raises(ValueError, match="no brew runs in kettle; start one with"):
        end_brew(LAB, [], T0, place="kettle", ended_ms=T0, air_stopped_ms=None, by="teacher")
    with pytest.raises(ValueError, match="no brew runs in kettle"):
        ended(ended(started()))
    with pytest.raises(ValueError, match="the end, 2026-03-02 08:00, is not after the start, 2026-03-02 08:00"):
        ended(started(), at_ms=T0)
    with pytest.raises(
        ValueError, match="the air cannot have stopped at 2026-03-02 07:59; the brew began at 2026-03-02 08:00"
    ):
        ended(started(), stopped_ms=T0 - 1)
    with pytest.raises(ValueError, match="the air cannot have stopped"):
        ended(started(), at_ms=T0 + HOUR, stopped_ms=T0 + HOUR + 1)
    with pytest.raises(ValueError, match="still to come"):
        ended(started(), at_ms=T0 + DAY + 1)
    with pytest.raises(ValueError, match="is a tray"):
        ended(started(), place="juniper/top")


def test_striking_a_brew() -> None:
    """As for entries: once, with who did it; it is then no brew of its brewer."""
    brew = started()
    struck = strike_brew({1: brew}, 1, T0 + HOUR, "teacher")
    assert (struck.struck_ms, struck.struck_by, struck.running) == (T0 + HOUR, "teacher", False)
    assert last_brew([struck], "kettle") is None
    with pytest.raises(ValueError, match="brew 1 is struck already, by teacher"):
        strike_brew({1: struck}, 1, T0, "teacher")
    with pytest.raises(ValueError, match="there is no brew 2; 'traywarden brew show' shows their numbers"):
        strike_brew({1: brew}, 2, T0, "teacher")


def test_the_last_brew_is_the_one_that_began_last() -> None:
    """Of its own brewer."""
    first, second = ended(started()), started(at_ms=T0, taken_ms=T0)
    other = replace(second, id=9, place="kettle-2", started_ms=T0 + DAY)
    assert last_brew([replace(second, id=2), first, other], "kettle") == replace(second, id=2)


def test_what_was_known_of_a_brew_at_a_time() -> None:
    """Nothing before it was taken up or once struck; running until its end was taken up, however early that was."""
    brew = started(at_ms=T0 - HOUR)
    over = ended(brew, at_ms=T0 + HOUR)
    assert over.as_known(T0 - 1) is None
    assert over.as_known(T0) == brew
    assert over.as_known(T0 + DAY - 1) == brew
    assert over.as_known(T0 + DAY) == over
    assert brew.as_known(T0 + 99 * DAY) == brew
    struck = replace(over, struck_ms=T0 + 2 * DAY)
    assert struck.as_known(T0 + 2 * DAY - 1) == struck
    assert struck.as_known(T0 + 2 * DAY) is None


def test_windows_of_a_brew() -> None:
    """A grower's guide says 24-36 h, others 12-24 h: 24 h give or take 12. Use of the tea within 4 h of the air's stop,
    8 h at the most: common practice, no source."""
    assert BREW_WINDOW_MS == (12 * HOUR, 36 * HOUR)
    assert USE_WITHIN_MS == (4 * HOUR, 8 * HOUR)
