"""What the digest says of water before a break."""

from dataclasses import replace

from collector.alarms.model import Kind
from collector.husbandry.ahead import Expected, TrayAhead
from collector.husbandry.drying import Assumed
from collector.husbandry.watering import Deed, WaterVerdict
from collector.reports.digest import subject
from collector.reports.digest_alarms import Standing
from tests.letters.examples import HOT, TOP, TOP_MOISTURE, at
from tests.reports.test_digest import QUIET, SCHOOL, TEACHER, reading, told
from tests.reports.twelve_trays import DRY, TRAY_PLACES, VIEW


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


LAST_DAY = replace(VIEW, standing=VIEW.standing[:1], back_ms=at(10, 7))
DRYING = TrayAhead(
    place=DRY, level=58.0, leave_at=80.0, deed=Deed(verdict=WaterVerdict.ADD_WATER, today_l=1.0, total_l=2.5)
)


def course(*assumed: Assumed) -> list[TrayAhead]:
    """Of all trays but the dry one, which comes through."""
    return [
        TrayAhead(
            place=one.id,
            level=74.0,
            at_end=Expected(72.0, 71.0 + 0.1 * number, 73.0 + 0.1 * number),
            assumed=assumed,
        )
        for number, one in enumerate(TRAY_PLACES)
        if one.id != DRY
    ]


def test_trays_that_come_through_a_break_are_one_line_a_bin() -> None:
    """What needs hands first; what is assumed of all is said once."""
    view = replace(LAST_DAY, ahead=(*course(Assumed.HUMIDITY), replace(DRYING, assumed=(Assumed.HUMIDITY,))))
    assert told(view)["Until somebody is back, Monday 10 Mar 07:00"] == (
        "Juniper, tray 2: 58.0 % now. What to do is said above.",
        "Juniper: 3 trays come through, each between 71.0 % and 73.3 % then (8 of 10 times).",
        "Maple: 4 trays come through, each between 71.4 % and 73.7 % then (8 of 10 times).",
        "Rowan: 4 trays come through, each between 71.8 % and 74.1 % then (8 of 10 times).",
        "Less sure, since the room's humidity is not measured, 50 % is assumed.",
    )
    silent = TrayAhead(place=DRY, level=58.0, why_not="no usable reading in the last three days")
    lines = told(replace(view, ahead=(*course(Assumed.HUMIDITY), silent)))
    assert lines["Until somebody is back, Monday 10 Mar 07:00"][0] == (
        "Juniper, tray 2: cannot be foreseen: no usable reading in the last three days"
    )
    assert str(lines).count("Less sure") == 1


def test_what_is_assumed_of_one_tray_alone_stands_at_that_tray() -> None:
    """It has a line of its own, and so has one that alone of its bin comes through."""
    first, second, *_ = course()
    odd = replace(first, assumed=(Assumed.BED,))
    lines = told(replace(LAST_DAY, ahead=(odd, second)))["Until somebody is back, Monday 10 Mar 07:00"]
    assert lines == (
        "Juniper, top tray: 74.0 % now, about 72.0 % then, between 71.0 % and 73.0 % (8 of 10 times). Comes through."
        " Less sure, since the bedding's temperature is not measured.",
        "Juniper, tray 3: 74.0 % now, about 72.0 % then, between 71.2 % and 73.2 % (8 of 10 times). Comes through.",
    )
