"""What is said of the night, of the morning and before a break, word by word in a lab with `units: us`."""

from dataclasses import replace

import pytest

from collector.alarms.model import AlarmKey
from collector.husbandry.ahead import Dryness, Expected, TrayAhead
from collector.husbandry.watering import Deed, TrayNow, WaterVerdict
from collector.letters.ahead_words import ahead_line
from collector.telling.message_plan import Item
from tests.alarms.shipped_sets import RULES
from tests.letters.examples import LAB, RAISED, TOP_MOISTURE, at
from tests.letters.letters import FakeFacts, letter
from tests.letters.test_ahead_words import MUCH, WATER, when
from tests.reports.test_digest import QUIET, told
from tests.worlds.values import HOUR, T0

US = replace(LAB, us_units=True)


def mail(name: str, moisture: float | None = None) -> str:
    """The mail of a shipped alarm of the top tray; without a moisture that is known, in the rule's own words."""
    change = replace(RAISED, key=AlarmKey(name, TOP_MOISTURE.id), value=moisture)
    item = Item(transition=change, rule=RULES[name], series=TOP_MOISTURE)
    return " ".join(letter(item, facts=FakeFacts(US, {}, moisture=moisture)).body.split())


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (
            "bedding-parched",
            "Spray two cups of water (about 17 fl oz) over the whole tray, and two more after an hour. More than 1.1 qt"
            " a day runs through: dry bedding takes water up slowly. The rest is for tomorrow.",
        ),
        (
            "bedding-parched",
            "Cannot come? The worms of this tray are at stake, not those of the others: ask whoever is nearest to the"
            " school, and water first thing in the morning.",
        ),
        (
            "bedding-dry",
            "Repeat until it does, but give one tray no more than 1.1 qt a day.",
        ),
        (
            "bedding-dry-ahead",
            "Before you leave, spray a cup of water (about 8 fl oz) over the whole tray. Squeeze a handful after an"
            " hour: it should give a drop or two.",
        ),
        (
            "bedding-freezing-ahead",
            "If it goes on cooling like this, the bedding is below 39.2 °F within 8 hours.",
        ),
        (
            "bedding-freezing-ahead",
            "Cannot come? The worms are at stake by the morning: ask whoever can reach the windows and the heating.",
        ),
        (
            "heat-wave-ahead",
            "If the room goes on warming like this, it is at 84.2 °F day and night within a day, and the bedding"
            " follows. From 86 °F on worms try to flee, and at about 95 °F they die.",
        ),
    ],
)
def test_what_an_alarm_says_of_the_night_and_of_a_break(name: str, words: str) -> None:
    """Cups in fluid ounces, what a day may bring in quarts, the bedding and the room in Fahrenheit."""
    assert words in mail(name)


def test_the_amount_of_today_and_of_the_days_after() -> None:
    """2.6 L at a litre a day."""
    assert mail("bedding-dry", 58.0).startswith(
        "Add about 1.1 qt of water over the whole tray today, a cup at a time. Since 09:40, act by 21:40."
    )
    assert "It takes about 2.7 qt in all from 58.0 % to about 77.5 %, the rest of it on the next days." in mail(
        "bedding-dry", 58.0
    )


@pytest.mark.parametrize(
    ("ahead", "line"),
    [
        (
            TrayAhead(place="x", level=70.0, leave_at=76.5, deed=WATER),
            "70.0 % now. Add about 20 fl oz before you leave, in portions over the whole tray, to about 76.5 %.",
        ),
        (
            TrayAhead(place="x", level=70.0, leave_at=76.5, deed=replace(WATER, estimated=True)),
            "70.0 % now. Add about 20 fl oz (an estimate from its size) before you leave, in portions over the whole"
            " tray, to about 76.5 %.",
        ),
        (
            TrayAhead(place="x", level=74.0, leave_at=85.0, deed=MUCH, enough=False),
            "74.0 % now. Add about 1.1 qt before you leave, in portions over the whole tray: more would run through."
            " That is not enough: somebody must water it meanwhile.",
        ),
        (
            TrayAhead(place="x", level=74.0, leave_at=85.0, deed=MUCH, days=5),
            "74.0 % now. Add about 1.1 qt today, in portions over the whole tray, and go on each school day: 3.3 qt in"
            " all before the break.",
        ),
        (
            TrayAhead(place="x", level=74.0, leave_at=75.0, deed=Deed(verdict=WaterVerdict.AS_WRITTEN), now=TrayNow()),
            "74.0 % now. Squeeze a handful from its middle before you leave: if no drop comes out, spray a cup of water"
            " (about 8 fl oz) over the whole tray.",
        ),
        (
            TrayAhead(
                place="x",
                level=66.0,
                leave_at=80.0,
                deed=Deed(verdict=WaterVerdict.DAY_FULL),
                now=TrayNow(moisture_pct=66.0, poured_l=1.0),
            ),
            "66.0 % now. Add no more water today: 1.1 qt was noted.",
        ),
        (
            TrayAhead(
                place="x",
                level=68.0,
                at_end=Expected(62.0, 59.0, 65.0),
                dry=Dryness(limit=60.0, early_ms=T0 + 5 * HOUR, about_ms=T0 + 9 * HOUR, late_ms=T0 + 20 * HOUR),
                leave_at=76.5,
                deed=WATER,
            ),
            "68.0 % now, about 62.0 % then, between 59.0 % and 65.0 % (8 of 10 times); below 60.0 % about 9 h, between"
            " 5 h and 20 h (8 of 10 times). Add about 20 fl oz before you leave, in portions over the whole tray, to"
            " about 76.5 %.",
        ),
    ],
)
def test_what_a_tray_comes_to_before_a_break(ahead: TrayAhead, line: str) -> None:
    """0.6 L are 20 fl oz, a litre 1.1 and 3.1 L 3.3 quarts; moisture reads the same everywhere."""
    assert ahead_line(ahead, when, us_units=True) == line


def test_the_digest_before_a_holiday_and_on_the_last_day() -> None:
    """The same tray five school days before, and on the day itself."""
    early = TrayAhead(place="juniper/top", level=70.0, leave_at=82.0, deed=MUCH, days=5)
    view = replace(QUIET, lab=replace(QUIET.lab, us_units=True), ahead=(early,), back_ms=at(17, 7), last_day=False)
    assert told(view)["A break is coming. Until somebody is back, Monday 17 Mar 07:00"] == (
        "Juniper, top tray: 70.0 % now. Add about 1.1 qt today, in portions over the whole tray, and go on each school"
        " day: 3.3 qt in all before the break.",
    )
    last = replace(early, deed=WATER, days=1)
    assert told(replace(view, ahead=(last,), last_day=True))["Until somebody is back, Monday 17 Mar 07:00"] == (
        "Juniper, top tray: 70.0 % now. Add about 20 fl oz before you leave, in portions over the whole tray, to about"
        " 82.0 %.",
    )
