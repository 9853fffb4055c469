"""What a tray will come to and what a brew needs, each in one line."""

from dataclasses import replace

import pytest

from collector.domain.diary import Brew
from collector.husbandry.ahead import Dryness, Expected, TrayAhead
from collector.husbandry.drying import Assumed
from collector.husbandry.watering import Deed, TrayNow, WaterVerdict
from collector.letters.ahead_words import ahead_line, come_through, comes_through
from collector.letters.brew_words import brew_line
from tests.worlds.values import HOUR, T0

WATER = Deed(verdict=WaterVerdict.ADD_WATER, today_l=0.6, total_l=0.6)
MUCH = replace(WATER, today_l=1.0, total_l=3.1)


def when(ms: int) -> str:
    return f"{(ms - T0) // HOUR} h"


@pytest.mark.parametrize(
    ("ahead", "line"),
    [
        (TrayAhead(place="x", level=74.0, why_not="too far ahead"), "cannot be foreseen: too far ahead"),
        (TrayAhead(place="x", level=74.0), "74.0 % now. Comes through."),
        (
            TrayAhead(
                place="x",
                level=59.0,
                dry=Dryness(limit=60.0, early_ms=T0),
                leave_at=80.0,
                deed=replace(WATER, estimated=True),
            ),
            "59.0 % now; below 60.0 % already. Add about 0.6 L (an estimate from its size) before you leave, in"
            " portions over the whole tray, to about 80.0 %.",
        ),
        (
            TrayAhead(
                place="x",
                level=85.0,
                at_end=Expected(60.0, 55.0, 65.0),
                dry=Dryness(limit=60.0, early_ms=T0 + 5 * HOUR, about_ms=T0 + 9 * HOUR, late_ms=T0 + 20 * HOUR),
                enough=False,
            ),
            "85.0 % now, about 60.0 % then, between 55.0 % and 65.0 % (8 of 10 times); below 60.0 % about 9 h,"
            " between 5 h and 20 h (8 of 10 times). Somebody must water it meanwhile.",
        ),
        (
            TrayAhead(place="x", level=74.0, leave_at=85.0, deed=MUCH, enough=False),
            "74.0 % now. Add about 1.0 L before you leave, in portions over the whole tray: more would run through."
            " That is not enough: somebody must water it meanwhile.",
        ),
        (
            TrayAhead(place="x", level=74.0, leave_at=85.0, deed=MUCH, days=5),
            "74.0 % now. Add about 1.0 L today, in portions over the whole tray, and go on each school day: 3.1 L in"
            " all before the break.",
        ),
        (
            TrayAhead(place="x", level=74.0, leave_at=85.0, deed=MUCH, days=2, enough=False),
            "74.0 % now. Add about 1.0 L today, in portions over the whole tray, and go on each school day. That is not"
            " enough: somebody must water it meanwhile.",
        ),
        (
            TrayAhead(place="x", level=74.0, leave_at=75.0, deed=Deed(verdict=WaterVerdict.AS_WRITTEN), now=TrayNow()),
            "74.0 % now. Squeeze a handful from its middle before you leave: if no drop comes out, spray a cup of water"
            " (about 0.25 L) over the whole tray.",
        ),
        (
            TrayAhead(
                place="x",
                level=66.0,
                leave_at=80.0,
                deed=Deed(verdict=WaterVerdict.SUMP_FIRST),
                now=TrayNow(moisture_pct=66.0, sump_pct=97.0),
            ),
            "66.0 % now. Add no water yet: first empty the sump, which is at 97 %, and see that the drain runs.",
        ),
        (
            TrayAhead(place="x", level=85.0, at_end=Expected(75.0, 74.0, 76.0), seen_until_ms=T0 + 216 * HOUR),
            "85.0 % now, about 75.0 % on 216 h, between 74.0 % and 76.0 % (8 of 10 times). Comes through until then."
            " Beyond that nothing can be foreseen: have somebody look at it by 216 h.",
        ),
        (
            TrayAhead(place="x", level=64.0, dry=Dryness(limit=60.0, early_ms=T0 + HOUR)),
            "64.0 % now; below 60.0 % perhaps, but not before 1 h (9 of 10 times). Somebody must water it meanwhile.",
        ),
        (
            TrayAhead(place="x", level=64.0, dry=Dryness(limit=60.0, early_ms=T0 + HOUR, about_ms=T0 + 2 * HOUR)),
            "64.0 % now; below 60.0 % about 2 h, not before 1 h (9 of 10 times). Somebody must water it meanwhile.",
        ),
        (
            TrayAhead(place="x", level=74.0, assumed=(Assumed.HUMIDITY, Assumed.BED)),
            "74.0 % now. Comes through. Less sure, since the room's humidity is not measured, 50 % is assumed and the"
            " bedding's temperature is not measured.",
        ),
    ],
)
def test_a_tray(ahead: TrayAhead, line: str) -> None:
    """Now, then, when it is too dry, and what to do before leaving."""
    assert ahead_line(ahead, when, us_units=False) == line


@pytest.mark.parametrize(("water_l", "told"), [(2.0, "2.1 qt"), (0.5, "17 fl oz"), (4.0, "1.1 gal")])
def test_water_in_us_units_is_told_as_in_every_message(water_l: float, told: str) -> None:
    """Ounces, quarts or gallons, whichever is handy (1 qt is 0.946353 L, 32 fl oz, a quarter of a gallon)."""
    deed = Deed(verdict=WaterVerdict.ADD_WATER, today_l=water_l, total_l=water_l)
    tray = TrayAhead(place="x", level=74.0, leave_at=80.0, deed=deed)
    assert f"Add about {told} before you leave," in ahead_line(tray, when, us_units=True)


def test_trays_that_come_through_are_one_line() -> None:
    """From the lowest to the highest that is expected of any, and by when to look, where that is not foreseen to the
    end."""
    trays = [TrayAhead(place="x", level=74.0, at_end=Expected(72.0, low, low + 2.0)) for low in (71.0, 70.5, 73.0)]
    line = "3 trays come through, each between 70.5 % and 75.0 % then (8 of 10 times)."
    assert come_through(trays, when) == line
    far = [replace(one, seen_until_ms=T0 + 216 * HOUR) for one in trays]
    assert come_through(far, when) == (
        "3 trays come through until then, each between 70.5 % and 75.0 % on 216 h (8 of 10 times). Beyond that nothing"
        " can be foreseen: have somebody look at them by 216 h."
    )
    assumed = [replace(one, assumed=(Assumed.BED,)) for one in trays]
    assert come_through(assumed, when) == f"{line} Less sure, since the bedding's temperature is not measured."


def test_a_tray_of_which_more_is_to_be_said_is_not_among_those_that_come_through() -> None:
    """Water, dryness, what cannot be foreseen."""
    well = TrayAhead(place="x", level=74.0, at_end=Expected(72.0, 71.0, 73.0))
    dry = Dryness(limit=60.0, early_ms=T0)
    more: list[dict[str, object]] = [
        {"deed": WATER},
        {"dry": dry},
        {"why_not": "no usable reading"},
        {"at_end": None},
    ]
    assert comes_through(well)
    for one in more:
        assert not comes_through(replace(well, **one))  # type: ignore[arg-type]


def test_a_cup_and_what_is_said_elsewhere() -> None:
    """A cup is 8.5 fl oz; what the same message has said is not said again."""
    little = TrayAhead(place="x", level=74.0, leave_at=75.0, deed=Deed(verdict=WaterVerdict.AS_WRITTEN))
    assert ahead_line(little, when, us_units=True).endswith("spray a cup of water (about 8 fl oz) over the whole tray.")
    much = TrayAhead(place="x", level=74.0, leave_at=85.0, deed=MUCH)
    assert ahead_line(much, when, us_units=False, said=True) == "74.0 % now. What to do is said above."


BREW = Brew(id=1, place="kettle", started_ms=T0, air_stopped_ms=None, ended_ms=None, taken_ms=T0, by="class 4b")


@pytest.mark.parametrize(
    ("stopped_h", "used", "now_h", "line"),
    [
        (None, False, 2, "brew running since 0 h; ready from 12 h, end it by 36 h"),
        (None, False, 36, "brew past its window since 36 h: end it"),
        (24, False, 25, "air stopped at 24 h: use the tea by 28 h"),
        (24, False, 28, "the tea should have been used by 28 h; not after 32 h"),
        (24, False, 32, "the tea is too old since 32 h: pour it away where nothing is eaten"),
        (24, True, 25, ""),
    ],
)
def test_a_brew(stopped_h: int | None, used: bool, now_h: int, line: str) -> None:
    """What it needs next and by when; nothing once its tea is used."""
    stopped_ms = None if stopped_h is None else T0 + stopped_h * HOUR
    assert brew_line(BREW, stopped_ms, used, T0 + now_h * HOUR, when) == line


def test_an_ended_brew_whose_air_nobody_knows_of_needs_nothing() -> None:
    """Without the moment the air stopped nothing can be said of its tea."""
    ended = Brew(
        id=1, place="kettle", started_ms=T0, air_stopped_ms=None, ended_ms=T0 + HOUR, taken_ms=T0, by="class 4b"
    )
    assert brew_line(ended, None, False, T0 + 2 * HOUR, when) == ""


@pytest.mark.parametrize(
    ("day_full", "days", "told"),
    [
        (False, 1, "Add about 1.0 L, in portions over the whole tray, and look again in an hour before more is added."),
        (False, 3, "Add about 1.0 L, in portions over the whole tray, and look again in an hour before more is added."),
        (True, 3, "today, in portions over the whole tray, and look again on each school day before more is added."),
        (True, 1, "Add about 1.0 L before you leave, in portions over the whole tray: more would run through."),
    ],
)
def test_a_first_step_before_a_break_says_to_look_again(day_full: bool, days: int, told: str) -> None:
    """Where all of it may be too much, no whole amount is told; but where nothing can follow today or later, nobody is
    to look."""
    deed = replace(MUCH, look_again=True, day_full=day_full)
    line = ahead_line(TrayAhead(place="x", level=74.0, leave_at=85.0, deed=deed, days=days), when, us_units=False)
    assert line.endswith(told)
    assert "3.1 L" not in line
