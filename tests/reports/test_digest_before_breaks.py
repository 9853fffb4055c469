"""What the digest says of water before a break."""

from dataclasses import replace

from collector.alarms.model import Kind
from collector.husbandry.ahead import Expected, TrayAhead
from collector.husbandry.watering import Deed, WaterVerdict
from collector.reports.digest import subject
from collector.reports.digest_alarms import Standing
from tests.letters.examples import HOT, TOP, TOP_MOISTURE, at
from tests.reports.test_digest import QUIET, SCHOOL, TEACHER, reading, told


def test_before_a_break_water_is_said_once_and_reaches_as_far_as_it_must() -> None:
    """The alarm's line and the tray's course give one amount between them: 1.5 (80/20 - 70/30) = 2.5 L, a litre of it
    today."""
    dry = replace(HOT, kind=Kind.LOW, measure="bedding_moisture")
    stands = Standing(rule=dry, series=TOP_MOISTURE, since_ms=at(3, 5, 10), acknowledged=False)
    lab = replace(SCHOOL, places=tuple(replace(one, dry_kg=1.5) if one is TOP else one for one in SCHOOL.places))
    deed = Deed(verdict=WaterVerdict.ADD_WATER, today_l=1.0, total_l=2.5)
    ahead = TrayAhead(place="juniper/top", level=70.0, leave_at=80.0, deed=deed, enough=False)
    view = replace(
        QUIET, lab=lab, standing=(stands,), newest=(reading(TOP_MOISTURE, 70.0),), ahead=(ahead,), back_ms=at(10, 7)
    )
    found = told(view)
    assert "Add about 1.0 L of water over the whole tray today, a cup at a time." in found["Standing now"][0]
    assert str(found).count("Add about") == 1
    assert found["Until somebody is back, Monday 10 Mar 07:00"] == (
        "Juniper, top tray: 70.0 % now. What to do is said above. That is not enough: somebody must water it"
        " meanwhile.",
    )


def test_days_before_a_holiday_only_trays_that_need_water_are_named() -> None:
    """In time to give it in daily portions; the last day is not announced yet."""
    deed = Deed(verdict=WaterVerdict.ADD_WATER, today_l=1.0, total_l=3.1)
    ahead = (
        TrayAhead(place="juniper/top", level=74.0, at_end=Expected(72.0, 71.0, 73.0)),
        TrayAhead(place="maple/top", level=70.0, leave_at=82.0, deed=deed, days=5),
    )
    view = replace(QUIET, ahead=ahead, back_ms=at(17, 7), last_day=False)
    assert told(view)["A break is coming. Until somebody is back, Monday 17 Mar 07:00"] == (
        "Maple, top tray: 70.0 % now. Add about 1.0 L today, in portions over the whole tray, and go on each school"
        " day: 3.1 L in all before the break.",
    )
    assert "Last day" not in subject(view, TEACHER)
