"""What the parts of lab.yaml mean for each other: places, measures, units, and messages of one probe only."""

import re
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.domain.lab import (
    CalibrationPoint,
)
from collector.domain.labfile import read_lab
from collector.domain.labfile_claims import topics_overlap
from collector.domain.problems import Refused
from tests.domain.labtexts import refusals, with_channel, with_probe


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


def test_a_raw_number_needs_calibration() -> None:
    """A count says nothing by itself; the message says what to do about it."""
    assert refusals(with_channel("{name: a, measure: bedding_moisture, unit: count}")) == [
        "probes.one.channels.c.unit: 'count' is not bedding moisture yet: calibration is needed (traywarden probes "
        "calibrate adds the points), or a probe that sends one of /, /100, %"
    ]


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
    assert topics_overlap(first, second) == together


def _products(words: list[str], most: int) -> Iterator[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = [()]
    for _ in range(most):
        rows = [(*row, word) for row in rows for word in words]
        yield from rows
