"""What the parts of lab.yaml mean for each other: places, measures, units, and messages of one probe only."""

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.config.lab_claims import Filters
from collector.config.lab_file import calendar_names, lab_warnings, read_lab
from collector.domain.lab import (
    CalibrationPoint,
    Place,
    PlaceKind,
)
from collector.domain.problems import Refused
from collector.domain.schooldays import Span
from tests.config.lab_texts import SMALL, refusals, with_channel, with_probe


@pytest.mark.parametrize(
    ("place", "said"),
    [
        ("juniper/tpo", "'juniper/tpo' is not a place of this lab; did you mean 'juniper/top'?"),
        ("broker", "'broker' is not a place of this lab; known: room, juniper, kettle, planter-1, juniper/top, "
         "juniper/middle"),
        ('"*"', "'*' is not a place of this lab; known: room, juniper, kettle, planter-1, juniper/top, juniper/middle"),
    ],
)  # fmt: skip
def test_an_unknown_place_is_answered_with_the_nearest(place: str, said: str) -> None:
    """A probe stands somewhere that the lab has, or the file is refused."""
    text = with_channel("{name: a, measure: battery, unit: V}", place)
    assert refusals(text) == [f"probes.one.place: {said}"]


@pytest.mark.parametrize(
    ("before", "after", "problem"),
    [
        ("bins:", "bin:", "bin: unknown key; did you mean 'bins'?"),
        ("trays:", "tray:", "bins.juniper.tray: unknown key; did you mean 'trays'?"),
        ("  juniper:", "  juniper: 5\n  other:", "bins.juniper: needs keys with values below it, got 5"),
    ],
)
def test_places_lost_to_a_slip_above_are_not_told_as_unknown(before: str, after: str, problem: str) -> None:
    """One slip in the bins is one problem, not one more for each probe in them."""
    text = with_channel("{name: a, measure: battery, unit: V}").replace(before, after, 1)
    assert refusals(text) == [problem]


def test_a_slip_elsewhere_does_not_hide_an_unknown_place() -> None:
    """An unknown key that was never meant as a section of places hides nothing."""
    text = with_channel("{name: a, measure: battery, unit: V}", "jniper") + "colour: red\n"
    assert refusals(text)[0].endswith("did you mean 'juniper'?")


@pytest.mark.parametrize("key", ["room", "broker"])
@pytest.mark.parametrize("section", ["bins", "brewers", "planters"])
def test_reserved_ids_cannot_be_keys(key: str, section: str) -> None:
    """'room' and 'broker' are places of their own."""
    text = f"lab: {{name: a, time_zone: UTC}}\n{section}: {{{key}: }}"
    assert refusals(text) == [f"{section}.{key}: '{key}' is reserved; choose another key"]


def test_places_need_different_keys() -> None:
    """One key for two places is refused at the second, naming the first."""
    text = "lab: {name: a, time_zone: UTC}\nbins: {one: }\nbrewers: {one: }\nplanters: {one: }"
    assert refusals(text) == [
        "brewers.one: 'one' is already a key under bins; places need different keys",
        "planters.one: 'one' is already a key under bins; places need different keys",
    ]


@pytest.mark.parametrize(
    ("place", "measure", "unit"),
    [
        ("juniper/top", "tea_temperature", "Cel"),
        ("juniper/top", "leachate_level", "%"),
        ("juniper", "dissolved_oxygen", "mg/L"),
        ("kettle", "bedding_moisture", "%"),
        ("planter-1", "bedding_moisture", "%"),
        ("room", "bedding_temperature", "Cel"),
        ("room", "air_pump", "on/off"),
    ],
)
def test_a_measure_that_makes_no_sense_at_a_place_is_refused(place: str, measure: str, unit: str) -> None:
    """Tea in a tray or bedding in the room is a slip, and would wake the wrong alarms."""
    (said,) = refusals(with_channel(f'{{name: a, measure: {measure}, unit: "{unit}"}}', place))
    assert said.startswith(f"probes.one.channels.c.measure: {measure} is not measured in a ")


@pytest.mark.parametrize(
    ("place", "measure", "unit"),
    [
        ("juniper", "leachate_level", "%"),
        ("juniper", "bedding_moisture", "/"),
        ("juniper/top", "air_humidity", "%RH"),
        ("kettle", "tea_temperature", "degF"),
        ("planter-1", "air_temperature", "Cel"),
        ("room", "air_humidity", "%RH"),
        ("room", "battery", "mV"),
    ],
)
def test_measures_are_taken_where_they_make_sense(place: str, measure: str, unit: str) -> None:
    """What the trade measures at each kind of place is taken."""
    probe = read_lab(with_channel(f'{{name: a, measure: {measure}, unit: "{unit}"}}', place)).probes[0]
    assert (probe.place, probe.channels[0].measure) == (place, measure)


def test_a_raw_number_without_calibration_is_taken_and_pointed_out() -> None:
    """A count says nothing by itself: it is kept, and the warning at its unit says what to do about it."""
    text = with_channel("{name: a, measure: bedding_moisture, unit: count}")
    (told,) = (one for one in lab_warnings(read_lab(text), text=text) if one.field.startswith("probes."))
    assert told.field == "probes.one.channels.c.unit"
    assert text.splitlines()[told.line - 1][told.column - 1 :].startswith("count")
    assert told.message == (
        "'count' is not bedding moisture yet: its readings are kept raw and no alarm judges them until it is"
        " calibrated: traywarden probes calibrate one c"
    )


def test_a_unit_of_something_else_is_refused() -> None:
    """Degrees do not measure moisture, calibrated or not being beside the point."""
    assert refusals(with_channel("{name: a, measure: bedding_moisture, unit: Cel}")) == [
        "probes.one.channels.c.unit: 'Cel' does not measure bedding moisture; use one of /, /100, %"
    ]


def test_a_calibration_with_a_slip_is_not_also_told_as_missing() -> None:
    """Who wrote points with a slip in them knows that calibration is needed."""
    text = with_channel("{name: a, measure: bedding_moisture, unit: count, calibration: %s}")
    assert refusals(text % 5) == ["probes.one.channels.c.calibration: needs a list, got 5"]
    assert refusals(text % "[5]") == [
        "probes.one.channels.c.calibration[0]: needs keys with values below it, got 5",
    ]


def test_calibration_points_are_checked_by_the_given_function() -> None:
    """The words of the calibration check are passed on, at the place of the points."""
    text = with_channel(
        "{name: a, measure: bedding_moisture, unit: count, calibration: [{from: 2026-01-01, points: [[1, 2 %]]}]}"
    )
    with pytest.raises(Refused) as refused:
        read_lab(text, calibration_faults=lambda points: (f"{len(points)} of them",))
    assert [problem.message for problem in refused.value.problems] == ["1 of them"]
    assert len(read_lab(text, calibration_faults=lambda _: ()).probes) == 1


def test_a_switch_may_be_calibrated_with_on_and_off() -> None:
    """A pump told by its current has points of on and off."""
    text = with_channel(
        "{name: a, measure: air_pump, unit: mA, calibration: [{from: 2026-01-01, points: [[0, off], [90, on]]}]}",
        "kettle",
    )
    assert read_lab(text).probes[0].channels[0].calibrations[0].points == (
        CalibrationPoint(0.0, 0.0),
        CalibrationPoint(90.0, 1.0),
    )


SENML = "format: senml, channels: {c: {name: %s, measure: bedding_temperature, unit: Cel}}"
JSON = "format: json, channels: {c: {pointer: %s, measure: bedding_temperature, unit: Cel}}"
BASE = "senml_name: 'x:'"
SAME = "from the same topic; give each its own topic or senml_name"
NUMBER = "format: number, channels: {c: {measure: bedding_temperature, unit: Cel}}"


@pytest.mark.parametrize(
    ("first", "second", "said"),
    [
        (f"topic: a, {SENML % 't'}", f"topic: a, {SENML % 't'}", f"takes records named 't' {SAME}"),
        (f"topic: a/+, {SENML % 't'}", f"topic: +/b, {SENML % 't'}", f"takes records named 't' {SAME}"),
        (f"topic: a, {BASE}, {SENML % 't'}", f"topic: a, {BASE}, {SENML % 't'}", f"takes records named 'x:t' {SAME}"),
        # Without a senml_name, a record of any base name is taken.
        (f"topic: a, {SENML % 't'}", f"topic: a, {BASE}, {SENML % 't'}", f"takes records named 'x:t' {SAME}"),
        (f"topic: a, {BASE}, {SENML % 't'}", f"topic: a, {SENML % 't'}", f"takes records named 'x:t' {SAME}"),
        (f"topic: a, {JSON % '/t'}", f"topic: a, {JSON % '/t'}", "takes '/t' of the same messages; give each its own "
         "topic or other pointers"),
        (f"topic: a, {NUMBER}", f"topic: +, {NUMBER}", "takes the same messages; give each its own topic"),
        (f"topic: a, {JSON % '/t'}", f"topic: a, {NUMBER}", "takes the same messages as json, this one as number; give "
         "each its own topic"),
    ],
)  # fmt: skip
def test_a_message_has_one_home(first: str, second: str, said: str) -> None:
    """Two probes that could both claim one reading are refused at the second, naming the first and its line."""
    text = with_probe(f"{{place: juniper/top, {first}}}", f"  two: {{place: juniper/middle, {second}}}\n")
    assert refusals(text) == [f"probes.two.topic: probe 'one' (line 12) {said}"]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (f"topic: a, {SENML % 't'}", f"topic: b, {SENML % 't'}"),
        (f"topic: a/+, {SENML % 't'}", f"topic: a/b/c, {SENML % 't'}"),
        (f"topic: a, {SENML % 't'}", f"topic: a, {SENML % 'u'}"),
        (f'topic: a, senml_name: "x:", {SENML % "t"}', f'topic: a, senml_name: "y:", {SENML % "t"}'),
        (f'topic: a, senml_name: "x:", {SENML % "t1"}', f'topic: a, senml_name: "x:", {SENML % "t2"}'),
        (f"topic: a, {JSON % '/t'}", f"topic: a, {JSON % '/u'}"),
        (f"topic: $a, {NUMBER}", f"topic: +, {NUMBER}"),
    ],
)
def test_probes_may_share_a_topic_where_no_reading_is_claimed_twice(first: str, second: str) -> None:
    """One board with a sensor in each tray sends one message; its probes differ by record name or pointer."""
    text = with_probe(f"{{place: juniper/top, {first}}}", f"  two: {{place: juniper/middle, {second}}}\n")
    assert [probe.id for probe in read_lab(text).probes] == ["one", "two"]


LEVELS = st.lists(st.sampled_from(["a", "b", "+", "", "$s"]), min_size=1, max_size=3).map("/".join).filter(bool)


def _matches(topic_filter: str, topic: str) -> bool:
    """Whether a filter without '#' matches a topic, written out from MQTT 5.0 section 4.7."""
    if topic.startswith("$") and not topic_filter.startswith("$"):
        return False
    pattern = "/".join("[^/]*" if level == "+" else re.escape(level) for level in topic_filter.split("/"))
    return re.fullmatch(pattern, topic) is not None


@given(LEVELS, LEVELS)
def test_overlap_is_that_some_topic_matches_both(first: str, second: str) -> None:
    """Tried out against every topic of up to three levels from the same words."""
    words = ["a", "b", "", "$s", "z"]
    topics = ["/".join(parts) for parts in _products(words, 3) if parts != ("",)]
    together = any(_matches(first, topic) and _matches(second, topic) for topic in topics)
    filters = Filters()
    taken = filters.at(first)
    assert (taken in filters.overlapping(second)) == together


def _products(words: list[str], most: int) -> Iterator[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = [()]
    for _ in range(most):
        rows = [(*row, word) for row in rows for word in words]
        yield from rows


# People -------------------------------------------------------------------------------------------------------------


def with_people(*people: str) -> str:
    return SMALL + "people:\n" + "".join(f"  {person}\n" for person in people)


@pytest.mark.parametrize(
    ("people", "said"),
    [
        (["one: {email: a@b.example, turn: 2}"], ["people.one.turn: turn 2 follows turn 1, but nobody has turn 1"]),
        (
            ["one: {email: a@b.example}", "two: {chat: b, turn: 3}", "three: {chat: c, turn: 4}"],
            ["people.two.turn: turn 3 follows turn 2, but nobody has turn 2"],
        ),
        (["one: {email: a@b.example}", "two: {chat: b, turn: 9}", "three: {chat: c, turn: 3}"],
         ["people.two.turn: 9 is not a turn; from 1, told first, to 5"]),
        (["one: 5", "two: {chat: b, turn: 2}"], ["people.one: needs keys with values below it, got 5"]),
        (["one: {}"], ["people.one: has no way to be told; give 'email', 'chat' or both"]),
        (["one: {emial: a@b.example}"], ["people.one.emial: unknown key; did you mean 'email'?"]),
    ],
)  # fmt: skip
def test_each_person_can_be_told_and_each_step_is_reached(people: list[str], said: list[str]) -> None:
    """Nobody without a way, nobody with a turn that never comes; where a turn cannot be read none is judged."""
    assert refusals(with_people(*people)) == said


def test_steps_that_follow_one_another_are_taken_in_any_order() -> None:
    """Two with one turn are no gap either."""
    people = ["a: {chat: a, turn: 3}", "b: {chat: b, turn: 2}", "c: {chat: c}", "d: {chat: d, turn: 2}"]
    assert [person.turn for person in read_lab(with_people(*people)).people] == [3, 2, 1, 2]


@pytest.mark.parametrize("pattern", ["juniper", "juniper/top", "juniper/*", "'*/top'", "'*'", "room", "kettle"])
def test_patterns_that_fit_a_place_are_taken(pattern: str) -> None:
    """Bins, trays, brewers, the room; '*' for one level."""
    assert read_lab(with_people(f"one: {{chat: a, where: [{pattern}]}}")).people[0].where == (pattern.strip("'"),)


@pytest.mark.parametrize("pattern", ["broker", "collector", "maple/*"])
def test_patterns_that_fit_no_place_are_refused(pattern: str) -> None:
    """What concerns the collector itself goes to those without 'where'."""
    (said,) = refusals(with_people(f"one: {{chat: a, where: [{pattern}]}}"))
    assert said.startswith(f"people.one.where[0]: '{pattern}' is not a place of this lab; ")


def test_a_bin_lost_to_a_slip_is_not_told_again_for_those_who_hear_of_it() -> None:
    """One slip, one problem."""
    text = with_people("one: {chat: a, where: [juniper/top]}").replace("bins:", "bin:")
    assert refusals(text) == ["bin: unknown key; did you mean 'bins'?"]


def warned(*people: str) -> list[str]:
    text = with_people(*people)
    found = (str(problem).partition("warning: ")[2] for problem in lab_warnings(read_lab(text), text=text))
    return [said for said in found if not said.startswith("there are none")]


def test_places_that_nobody_hears_of_are_warned_about() -> None:
    """A bin named covers its trays; who names no place hears of all."""
    ours = "all have 'where', so nobody is told of the broker and of the collector itself"
    assert warned("a: {chat: a, where: [juniper, planter-1]}", "b: {chat: b, where: [room]}") == [
        ours,
        "nobody is told of alarms at kettle",
    ]
    assert warned("a: {chat: a, where: ['*']}") == [ours]
    assert warned("a: {chat: a, where: ['*/top']}", "b: {chat: b}") == []


def test_the_collector_is_no_place_that_somebody_must_name() -> None:
    """Among the places of a running lab it is one; the warning about its alarms says all there is to say."""
    text = with_people("a: {chat: a, where: [juniper, kettle, planter-1, room]}")
    lab = read_lab(text)
    running = replace(lab, places=(*lab.places, Place(id="collector", kind=PlaceKind.COLLECTOR, label="The collector")))
    assert lab_warnings(running, text=text) == lab_warnings(lab, text=text)


def test_low_alarms_that_no_digest_tells_are_warned_about() -> None:
    """They have no message of their own."""
    said = ["alarms of low priority stand in the digest alone, and nobody who hears of them gets it"]
    assert warned("a: {chat: a, digest: no}", "b: {chat: b, priorities: [medium, high]}") == said
    assert warned("a: {chat: a, digest: no}", "b: {chat: b}") == []


def test_one_chat_address_for_two_people_is_warned_about() -> None:
    """As one mail address is."""
    assert warned("a: {chat: a}", "b: {chat: a, email: a@b.example}") == [
        "is also the address of a, so messages come twice"
    ]


def test_waking_hours_without_any_are_refused() -> None:
    """Nobody means that no medium alarm ever calls."""
    assert refusals(SMALL + "messages: {waking: {}}\n") == [
        "messages.waking: holds no hours; leave it out for 07:00-21:00 each day"
    ]
    assert read_lab(SMALL + "messages:\n").telling == read_lab(SMALL).telling


# Days off -----------------------------------------------------------------------------------------------------------


def test_weekdays_are_those_of_the_hours() -> None:
    """Where people say when they are in the lab, school days are those days, else Monday to Friday."""
    lab = "lab: {name: a, time_zone: UTC, hours: {tue: 08:00-12:00, sat: 08:00-10:00}}"
    assert read_lab(lab).school_days.weekdays == {1, 5}
    assert read_lab("lab: {name: a, time_zone: UTC, hours: {}}").school_days.weekdays == {0, 1, 2, 3, 4}


def test_calendars_are_asked_by_name_and_zone() -> None:
    """What they say stands beside the days in the file; without a reader they say nothing."""
    asked: list[tuple[str, str]] = []

    def calendars(name: str, zone: str) -> tuple[Span, ...]:
        asked.append((name, zone))
        return ((date(2026, 11, 27), date(2026, 11, 29)),)

    text = "lab: {name: a, time_zone: Etc/GMT+1, holidays: [2026-11-26, cal/], terms: [terms.ics]}"
    lab = read_lab(text, calendars=calendars)
    assert asked == [("cal/", "Etc/GMT+1"), ("terms.ics", "Etc/GMT+1")]
    assert lab.school_days.closed == ((date(2026, 11, 26), date(2026, 11, 29)),)
    assert lab.school_days.terms == ((date(2026, 11, 27), date(2026, 11, 29)),)
    assert lab.telling.waking.school_days == lab.school_days
    assert read_lab(text).school_days.terms == ()


def test_a_calendar_that_cannot_be_read_is_told_where_it_is_named() -> None:
    """All of them, each with its line and column."""

    def calendars(name: str, zone: str) -> tuple[Span, ...]:
        raise ValueError(f"{name} is not there")

    text = "lab:\n  name: a\n  time_zone: UTC\n  holidays: [a.ics]\n  terms: [2026-11-26, b/]\n"
    with pytest.raises(Refused) as refused:
        read_lab(text, calendars=calendars)
    assert [str(problem) for problem in refused.value.problems] == [
        "lab.yaml:4:14 lab.holidays[0]: a.ics is not there",
        "lab.yaml:5:23 lab.terms[1]: b/ is not there",
    ]


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("lab: {holidays: [2026-11-26, b.ics, a/, 5], terms: [a/, c.ics]}", ("b.ics", "a/", "c.ics")),
        ("lab: {holidays: b.ics}", ()),
        ("lab: 5", ()),
        ("[]", ()),
        ("lab: [", ()),
        ("", ()),
    ],
)
def test_the_calendars_of_a_file_are_found_whatever_else_it_holds(text: str, names: tuple[str, ...]) -> None:
    """So that they are watched also while the file has a problem."""
    assert calendar_names(text) == names
