"""The digest of a school morning, in words."""

from dataclasses import replace
from datetime import date

from collector.alarms.model import Kind, Priority
from collector.domain.diary import Brew, DiaryEntry, DiaryKind
from collector.domain.lab import Channel, Person, Place, PlaceKind, Series
from collector.domain.readings import Flag, StoredReading, Why
from collector.husbandry.ahead import Dryness, Expected, TrayAhead
from collector.husbandry.watering import Deed, WaterVerdict
from collector.letters.form.blocks import Section
from collector.reports.digest import BrewNow, DigestView, digest_key, sections, subject
from collector.reports.digest_alarms import Past, Standing
from tests.letters.examples import HOT, KETTLE, LAB, ROOM, ROOM_AIR, SILENT, TOP, TOP_MOISTURE, TOP_TEMPERATURE, at

JUNIPER = Place(id="juniper", kind=PlaceKind.BIN, label="Juniper", bin="juniper")
MAPLE = Place(id="maple", kind=PlaceKind.BIN, label="Maple", bin="maple")
MAPLE_TOP = Place(id="maple/top", kind=PlaceKind.TRAY, label="Maple, top tray", bin="maple", tray="top")
SCHOOL = replace(LAB, places=(JUNIPER, TOP, MAPLE, MAPLE_TOP, KETTLE, ROOM))
TEACHER = Person(role="teacher", email="teacher@quillbrook.example")
MORNING = at(3, 7)
MAPLE_MOISTURE = Series(
    id=9, probe="maple-top", channel="moisture", measure="bedding_moisture", place="maple/top", unit="count"
)
BATTERY = Series(id=10, probe="maple-top", channel="battery", measure="battery", place="maple/top", unit="V")
LINK = Series(id=0, probe="", channel="", measure="", place="broker", unit="")


def reading(
    series: Series, value: float | None, t_ms: int = MORNING, flag: int = Flag.PASS
) -> tuple[Series, StoredReading]:
    return series, StoredReading(series=series.id, t_ms=t_ms, value=value, flag=flag, raw=value, why=0)


QUIET = DigestView(
    lab=SCHOOL,
    day=date(2025, 3, 3),
    now_ms=MORNING,
    newest=(reading(TOP_TEMPERATURE, 21.3), reading(TOP_MOISTURE, 74.2), reading(ROOM_AIR, 20.0)),
    standing=(),
    past=(),
    diary=(),
    brews=(),
)
STANDS = Standing(rule=HOT, series=TOP_TEMPERATURE, since_ms=at(3, 5, 10), acknowledged=False)


def told(view: DigestView, person: Person = TEACHER) -> dict[str, tuple[str, ...]]:
    return {section.title: section.lines for section in sections(view, person)}


def entry(kind: DiaryKind, place: str, day: int) -> DiaryEntry:
    t_ms = at(day, 9)
    return DiaryEntry(id=day, t_ms=t_ms, taken_ms=t_ms, place=place, kind=kind, amount=None, result=None, by="class 4b")


def test_a_quiet_morning_says_so_and_what_to_do() -> None:
    """Each bin in a line with its figures, the day's check, and nothing else."""
    found = told(QUIET)
    assert list(found) == ["Today's check", "The bins"]
    assert found["The bins"] == (
        "Juniper: all well - top tray: 21.3 °C, 74.2 %",
        "Maple: all well - top tray: no reading",
        "Room: 20.0 °C",
    )
    assert found["Today's check"][0] == (
        "Squeeze a handful of each tray, and see that the blanket is damp: Juniper and Maple (none noted yet)"
    )
    words = "How a handful is noted: crumbles: dry; holds together, or a drop: damp; drips: wet"
    assert found["Today's check"].count(words) == 1
    assert found["Today's check"][-1].startswith("Afterwards everybody washes their hands with soap")
    assert subject(QUIET, TEACHER) == "Quillbrook School, Monday 3 Mar: all is well."


def test_what_stands_comes_first_the_most_urgent_at_the_top() -> None:
    """With since when, whether somebody is on it, and what to do first."""
    low = Standing(rule=replace(HOT, priority=Priority.LOW), series=ROOM_AIR, since_ms=at(2, 5), acknowledged=True)
    view = replace(QUIET, standing=(low, STANDS))
    found = sections(view, TEACHER)[0]
    assert found.title == "Standing now"
    assert found.lines[0] == (
        "Juniper, top tray: Take the lid off and move the bin out of the sun. Bedding temperature too high, since"
        " 05:10; high priority, nobody has acknowledged it."
    )
    assert "low priority, somebody is on it" in found.lines[1]
    assert told(view)["The bins"][0] == "Juniper: 1 alarm - top tray: 21.3 °C, 74.2 %"
    assert subject(view, TEACHER) == "Quillbrook School, Monday 3 Mar: 2 alarms stand."
    assert "1 alarm stands" in subject(replace(view, standing=(STANDS,)), TEACHER)
    wet = Standing(
        rule=replace(HOT, name="bedding-wet", measure="bedding_moisture"),
        series=TOP_MOISTURE,
        since_ms=at(2, 5),
        acknowledged=True,
    )
    assert "Juniper: 2 alarms" in told(replace(view, standing=(STANDS, wet)))["The bins"][0]


def test_alarms_that_say_the_same_are_one_line() -> None:
    """Hot and warm, dry and drying: the most urgent of them; what another rule says of the same probe stands beside."""
    warm = Standing(
        rule=replace(HOT, name="bedding-warm", priority=Priority.MEDIUM),
        series=TOP_TEMPERATURE,
        since_ms=at(3, 4),
        acknowledged=True,
    )
    rate = Standing(
        rule=replace(HOT, name="rising", kind=Kind.RATE), series=TOP_TEMPERATURE, since_ms=at(3, 4), acknowledged=True
    )
    found = told(replace(QUIET, standing=(warm, STANDS)))
    assert [line.partition(";")[0].partition(". ")[2] for line in found["Standing now"]] == [
        "Bedding temperature too high, since 05:10"
    ]
    assert "Juniper: 1 alarm" in found["The bins"][0]
    assert "1 alarm stands" in subject(replace(QUIET, standing=(warm, STANDS)), TEACHER)
    assert len(told(replace(QUIET, standing=(warm, rate, STANDS)))["Standing now"]) == 2


def test_a_bin_that_is_too_warm_or_too_wet_is_not_fed() -> None:
    """What stands says to feed nothing; the day's check must not say the opposite. The other bin is fed."""
    dry = Standing(
        rule=replace(HOT, kind=Kind.LOW, measure="bedding_moisture"),
        series=TOP_MOISTURE,
        since_ms=at(3, 4),
        acknowledged=True,
    )
    heats = Standing(
        rule=replace(HOT, kind=Kind.DEVIATION, setpoint=6.0),
        series=TOP_TEMPERATURE,
        since_ms=at(3, 4),
        acknowledged=True,
    )
    for standing, fed in ((STANDS, False), (heats, False), (dry, True)):
        lines = told(replace(QUIET, standing=(standing,)))["Today's check"]
        assert ("Feed nothing while it is too warm, or too wet where the food goes: Juniper" in lines) is not fed
        look = next(line for line in lines if line.startswith("Look into the last feed pocket"))
        assert ("Juniper" in look) is fed
        assert "Maple" in look


def test_a_wet_tray_below_the_food_is_no_reason_to_feed_nothing() -> None:
    """Food goes into the top tray, or where it was noted last."""
    low = replace(TOP, id="juniper/bottom", label="Juniper, bottom tray", tray="bottom", level=2)
    wet = Standing(
        rule=replace(HOT, measure="bedding_moisture", setpoint=88.0),
        series=replace(TOP_MOISTURE, place="juniper/bottom"),
        since_ms=at(3, 4),
        acknowledged=True,
    )
    view = replace(QUIET, lab=replace(SCHOOL, places=(*SCHOOL.places, low)), standing=(wet,))
    assert not any("Feed nothing" in line for line in told(view)["Today's check"])
    here = replace(view, diary=(entry(DiaryKind.FED, "juniper/bottom", 2),))
    assert "Feed nothing while it is too warm, or too wet where the food goes: Juniper" in told(here)["Today's check"]


def test_a_healthy_bin_is_one_short_line_however_many_trays_it_has() -> None:
    """From the lowest to the highest of each measure; a bin with an alarm or a doubtful reading tells each tray."""
    second = replace(TOP, id="juniper/2", label="Juniper, tray 2", tray="2", level=1)
    lab = replace(SCHOOL, places=(JUNIPER, TOP, second))
    warm, moist = (replace(one, id=n, place="juniper/2") for n, one in ((20, TOP_TEMPERATURE), (21, TOP_MOISTURE)))
    newest = (*QUIET.newest, reading(warm, 22.0), reading(moist, 74.2))
    view = replace(QUIET, lab=lab, newest=newest)
    assert told(view)["The bins"][0] == "Juniper: all well - 2 trays, 21.3 °C to 22.0 °C, 74.2 %"
    us = replace(view, lab=replace(lab, us_units=True))
    assert told(us)["The bins"][0] == "Juniper: all well - 2 trays, 70.3 °F to 71.6 °F, 74.2 %"
    apart = "Juniper: 1 alarm - top tray: 70.3 °F, 74.2 %; tray 2: 71.6 °F, 74.2 %"
    assert told(replace(us, standing=(STANDS,)))["The bins"][0] == apart
    full = replace(STANDS, series=replace(TOP_MOISTURE, measure="leachate_level", place="juniper"))
    of_the_bin = "Juniper: 1 alarm - 2 trays, 21.3 °C to 22.0 °C, 74.2 %"
    assert told(replace(view, standing=(full,)))["The bins"][0] == of_the_bin
    old = replace(view, newest=(*QUIET.newest, reading(warm, 22.0, at(3, 2)), reading(moist, 74.2)))
    assert "tray 2: 22.0 °C (at 02:00), 74.2 %" in told(old)["The bins"][0]
    lost = replace(view, newest=QUIET.newest)
    assert "tray 2: no reading" in told(lost)["The bins"][0]
    assert told(replace(view, newest=()))["The bins"] == ("Juniper: no reading of its 2 trays",)


def test_a_dry_tray_has_its_amount() -> None:
    """What to add follows from the tray's mass and its moisture this morning, as in the alarm's own message: 1.5 kg of
    dry bedding take 1.5 (77.5/22.5 - 65/35) = 2.4 L, a litre a day. From an old reading nothing follows."""
    dry = replace(HOT, kind=Kind.LOW, measure="bedding_moisture", corrective_action="Water the tray today.")
    stands = Standing(rule=dry, series=TOP_MOISTURE, since_ms=at(3, 5, 10), acknowledged=False)
    lab = replace(SCHOOL, places=tuple(replace(one, dry_kg=1.5) if one is TOP else one for one in SCHOOL.places))
    view = replace(QUIET, lab=lab, standing=(stands,), newest=(reading(TOP_MOISTURE, 65.0),))
    assert (
        "Juniper, top tray: Add about 1.0 L of water over the whole tray today, a cup at a time. Bedding"
        " moisture too low, since 05:10;" in told(view)["Standing now"][0]
    )
    old = replace(view, newest=(reading(TOP_MOISTURE, 65.0, at(2, 20)),))
    assert "Water the tray today." in told(old)["Standing now"][0]


def test_the_check_knows_what_was_done_last() -> None:
    """Feeding and draining are only asked for when they are due; a squeeze test of any tray counts for its bin."""
    diary = (
        entry(DiaryKind.SQUEEZE, "juniper/top", 2),
        entry(DiaryKind.FED, "juniper", 2),
        entry(DiaryKind.DRAINED, "juniper", 3),
        entry(DiaryKind.FED, "maple/top", 1),
    )
    lines = told(replace(QUIET, day=date(2025, 3, 4), now_ms=at(4, 7), diary=diary))["Today's check"]
    assert lines[:3] == (
        "Squeeze a handful of each tray, and see that the blanket is damp: Juniper (last: 2 days ago), Maple (none"
        " noted yet)",
        "Look into the last feed pocket; if it is used up, bury the next one beside it: Maple (last: 3 days ago)",
        "Open the drain: Maple (none noted yet)",
    )


def test_today_and_yesterday_are_called_so() -> None:
    """Not '0 days ago'."""
    diary = (entry(DiaryKind.SQUEEZE, "juniper/top", 3), entry(DiaryKind.SQUEEZE, "maple/top", 2))
    lines = told(replace(QUIET, diary=diary))["Today's check"]
    assert lines[0].endswith(": Juniper (last: today), Maple (last: yesterday)")


def test_a_brew_says_by_when_to_end_it() -> None:
    """The brewer's line stands among the day's tasks; one that is used up asks for nothing."""
    brew = Brew(
        id=1, place="kettle", started_ms=at(2, 9), air_stopped_ms=None, ended_ms=None, taken_ms=at(2, 9), by="class 4b"
    )
    running = told(replace(QUIET, brews=[BrewNow(brew, None, False)]))["Today's check"]
    assert running[-2] == ("Kettle: brew running since Sunday 09:00; ready from Sunday 21:00, end it by 21:00")
    used = replace(brew, ended_ms=at(3, 6), air_stopped_ms=at(3, 6))
    assert not any(
        "Kettle" in line for line in told(replace(QUIET, brews=[BrewNow(used, at(3, 6), True)]))["Today's check"]
    )


def test_what_came_and_went_is_one_line_an_alarm() -> None:
    """However often it did: how many times, and when it last did."""
    once = Past(rule=HOT, series=TOP_TEMPERATURE, from_ms=at(2, 22), to_ms=at(2, 23))
    often = [Past(rule=HOT, series=ROOM_AIR, from_ms=at(3, hour), to_ms=at(3, hour, 20)) for hour in (1, 3, 2)]
    lines = told(replace(QUIET, past=(once, *often)))["Came and went since the last digest"]
    assert lines == (
        "Juniper, top tray: bedding temperature too high Sunday 22:00 to Sunday 23:00 (1 h)",
        "Room: air temperature too high, 3 times, the last 03:00 to 03:20 (20 min)",
    )
    warm = Past(rule=replace(HOT, name="bedding-warm"), series=TOP_TEMPERATURE, from_ms=at(2, 21), to_ms=at(2, 23))
    both = told(replace(QUIET, past=(once, warm)))["Came and went since the last digest"]
    assert both == ("Juniper, top tray: bedding temperature too high Sunday 21:00 to Sunday 23:00 (2 h)",)


def test_a_channel_without_calibration_is_named_until_it_has_one() -> None:
    """In the figures of its tray, and among the probes that need care, to whom its place concerns."""
    raw = Channel(key="moisture", measure="bedding_moisture", unit="count", model="capacitive")
    probe = replace(SCHOOL.probes[0], id="maple-top", place="maple/top", channels=(raw,))
    series, last = reading(MAPLE_MOISTURE, None, flag=Flag.NOT_EVALUATED)
    view = replace(
        QUIET,
        lab=replace(SCHOOL, probes=(*SCHOOL.probes, probe)),
        newest=((series, replace(last, raw=1800.0, why=int(Why.UNCALIBRATED))),),
    )
    found = told(view)
    assert "Maple: all well - top tray: bedding moisture not calibrated" in found["The bins"]
    assert found["Probes that need care"] == (
        "Maple, top tray, maple-top: bedding moisture is not calibrated yet, so nobody is warned of it. The maintainer"
        " runs: traywarden probes calibrate maple-top moisture",
    )
    elsewhere = replace(TEACHER, where=("juniper/*",))
    assert "Probes that need care" not in told(view, elsewhere)


def test_probes_that_need_care_are_named_once() -> None:
    """Silent and doubtful probes, and batteries, with what to look at; what is wrong in a bin stands before them."""
    whole = Series(id=11, probe="maple-top", channel="", measure="", place="maple/top", unit="")
    low = replace(HOT, kind=Kind.LOW, measure="battery", priority=Priority.MEDIUM)
    silent, battery, link = (
        Standing(rule=rule, series=one, since_ms=at(2, hour), acknowledged=False)
        for rule, one, hour in ((SILENT, whole, 5), (low, BATTERY, 6), (SILENT, LINK, 7))
    )
    warm = replace(STANDS, rule=replace(HOT, priority=Priority.MEDIUM))
    found = told(replace(QUIET, standing=(silent, battery, link, warm)))
    assert "Probes that need care" not in found
    warm_line, silent_line, battery_line, link_line = found["Standing now"]
    assert warm_line.startswith("Juniper, top tray: Take the lid off")
    assert silent_line.startswith(
        "Maple, top tray: Look at the probe's lamp, plug and cable. No usable reading from probe maple-top, since"
    )
    assert battery_line.startswith("Maple, top tray, maple-top: Take the lid off")
    assert "Battery too low" in battery_line
    assert link_line.startswith("Collector: Look at the probe's lamp, plug and cable. No connection to the broker")


def test_before_a_break_it_says_what_will_happen() -> None:
    """With until when, each tray's course and what to do before leaving; what needs hands first."""
    ahead = (
        TrayAhead(place="juniper/top", level=74.0, at_end=Expected(72.0, 71.0, 73.0)),
        TrayAhead(
            place="maple/top",
            level=68.0,
            at_end=Expected(62.0, 59.0, 65.0),
            dry=Dryness(limit=60.0, early_ms=at(5, 19), about_ms=at(6, 1), late_ms=at(6, 9)),
            leave_at=76.5,
            deed=Deed(verdict=WaterVerdict.ADD_WATER, today_l=0.94, total_l=0.94),
        ),
    )
    view = replace(QUIET, ahead=ahead, back_ms=at(10, 7))
    lines = told(view)["Until somebody is back, Monday 10 Mar 07:00"]
    assert lines == (
        "Maple, top tray: 68.0 % now, about 62.0 % then, between 59.0 % and 65.0 % (8 of 10 times); below 60.0 % about"
        " Thursday 01:00, between Wednesday 19:00 and Thursday 09:00 (8 of 10 times)."
        " Add about 0.9 L before you leave, in portions over the whole tray, to about 76.5 %.",
        "Juniper, top tray: 74.0 % now, about 72.0 % then, between 71.0 % and 73.0 % (8 of 10 times). Comes through.",
    )
    assert subject(view, TEACHER).endswith("all is well. Last day before a break.")


def test_each_person_reads_of_their_own_places() -> None:
    """Who hears of Maple alone sees no Juniper in any section, nor is it counted in the subject."""
    view = replace(
        QUIET,
        standing=(STANDS,),
        past=(Past(rule=HOT, series=TOP_TEMPERATURE, from_ms=at(2, 22), to_ms=at(2, 23)),),
        brews=(
            BrewNow(
                Brew(
                    id=1,
                    place="kettle",
                    started_ms=at(2, 9),
                    air_stopped_ms=None,
                    ended_ms=None,
                    taken_ms=at(2, 9),
                    by="class 4b",
                ),
                None,
                False,
            ),
        ),
        ahead=(TrayAhead(place="juniper/top", level=74.0),),
        back_ms=at(10, 7),
    )
    caretaker = Person(role="caretaker", email="caretaker@quillbrook.example", where=("maple",))
    found = told(view, caretaker)
    text = str(found)
    assert "Juniper" not in text
    assert "Kettle" not in text
    assert "Room" not in text
    assert found["The bins"] == ("Maple: all well - top tray: no reading",)
    assert "all is well" in subject(view, caretaker)


def test_a_reading_that_is_old_or_wrong_says_so() -> None:
    """An old one has its time; one not to be trusted shows no figure."""
    view = replace(
        QUIET,
        newest=(reading(TOP_TEMPERATURE, 21.3, at(3, 2)), reading(TOP_MOISTURE, 3.0, flag=Flag.FAIL)),
    )
    assert told(view)["The bins"][0] == "Juniper: all well - top tray: 21.3 °C (at 02:00), a reading not to be trusted"


def test_a_long_list_ends_with_what_it_leaves_out() -> None:
    """Nothing is left out unsaid: the rest is counted and the command that lists it is named."""
    places = [
        Series(id=100 + n, probe=f"p{n}", channel="t", measure="bedding_temperature", place=f"nowhere-{n}", unit="Cel")
        for n in range(45)
    ]
    past = tuple(Past(rule=HOT, series=one, from_ms=at(2, 22), to_ms=at(2, 23)) for one in places)
    two = replace(HOT, name="x", kind=Kind.LOW)
    lines = told(replace(QUIET, past=(*past, Past(rule=two, series=places[0], from_ms=at(2, 1), to_ms=at(2, 2)))))[
        "Came and went since the last digest"
    ]
    assert len(lines) == 30
    assert lines[-1].startswith("and ")
    assert lines[-1].endswith(" more: traywarden alarms history")


def test_a_section_without_lines_is_left_out_and_keys_name_the_day_and_the_role() -> None:
    """So that a digest is sent once a day to each."""
    assert digest_key(date(2025, 3, 3), "teacher") == "digest-2025-03-03-teacher"
    assert all(isinstance(one, Section) and one.lines for one in sections(QUIET, TEACHER))
