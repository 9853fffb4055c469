"""Changes to lab.yaml by the program: only text is added, and the result reads as the lab that was wanted."""

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from collector.config.lab_edit import assign_probe, set_calibration
from collector.config.lab_file import read_lab
from collector.domain.lab import Calibration, CalibrationPoint, Channel, Format, Probe
from collector.domain.problems import Refused
from tests.config.lab_texts import added

HEAD = "lab: {name: a, time_zone: UTC}\nbins: {juniper: {trays: {top: }}}\n"
PROBE = Probe(
    id="new-one",
    place="juniper/top",
    topic="worms/new",
    format=Format.SENML_JSON,
    channels=(Channel(key="t", measure="bedding_temperature", unit="Cel", name="t", model="ds18b20"),),
)
LINES = """\
  new-one:
    place: juniper/top
    topic: worms/new
    format: senml
    channels:
      t: {name: t, measure: bedding_temperature, unit: Cel, model: ds18b20}
"""
FLOW = (
    "new-one: {place: juniper/top, topic: worms/new, format: senml, "
    "channels: {t: {name: t, measure: bedding_temperature, unit: Cel, model: ds18b20}}}"
)
OLD = "old: {place: room, topic: a, format: number, channels: {c: {measure: battery, unit: V}}}"
DEEP = """\
  old:
    place: room
    topic: a
    format: number
    channels:
      c: {measure: battery, unit: V}  # changed in spring
"""


def refusals(change: Callable[[], str]) -> list[str]:
    with pytest.raises(Refused) as refused:
        change()
    return [str(problem) for problem in refused.value.problems]


@pytest.mark.parametrize(
    ("before", "after"),
    [
        # No probes yet, in each way to write that.
        ("", "probes:\n" + LINES),
        ("room: {name: x}", "room: {name: x}\nprobes:\n" + LINES.rstrip("\n")),
        ("probes:\n", "probes:\n" + LINES),
        ("probes:", "probes:\n" + LINES.rstrip("\n")),
        ("probes: # none yet\n\n# end\n", "probes: # none yet\n" + LINES + "\n# end\n"),
        ("probes: {}  # none yet\nroom:\n", "probes:  # none yet\n" + LINES + "room:\n"),
        ("probes:   { }\nroom:\n", "probes:\n" + LINES + "room:\n"),
        ("probes: ~ # none\n", "probes: # none\n" + LINES),
        ("probes: null\n", "probes:\n" + LINES),
        ("probes: { # none\n}\n", f"probes: {{{FLOW} # none\n}}\n"),
        # After the probes that are there, in their style.
        (f"probes:\n  {OLD}\n", f"probes:\n  {OLD}\n{LINES}"),
        (f"probes:\n  {OLD}  # c\nroom:\n", f"probes:\n  {OLD}  # c\n{LINES}room:\n"),
        (f"probes: {{{OLD}}}\n", f"probes: {{{OLD}, {FLOW}}}\n"),
        (f"probes: {{{OLD},\n  # c\n  }}\n", f"probes: {{{OLD}, {FLOW},\n  # c\n  }}\n"),
        (f"probes:\n{DEEP}# end\n", f"probes:\n{DEEP}{LINES}# end\n"),
        (f"probes:\n{DEEP}      # of old\n  # of none\n", f"probes:\n{DEEP}      # of old\n{LINES}  # of none\n"),
        (f"probes:\n  {OLD}\n\n  {OLD.replace('old', 'two').replace('topic: a', 'topic: b')}\n\nroom:\n",
         f"probes:\n  {OLD}\n\n  {OLD.replace('old', 'two').replace('topic: a', 'topic: b')}\n\n{LINES}\nroom:\n"),
        (f"probes:\n    {OLD}\n", f"probes:\n    {OLD}\n" + "".join(f"  {line}\n" for line in LINES.splitlines())),
        ("probes: &all\n" + DEEP, "probes: &all\n" + DEEP + LINES),
        ("...\n", "probes:\n" + LINES + "...\n"),
    ],
)  # fmt: skip
def test_a_probe_goes_where_a_person_would_have_put_it(before: str, after: str) -> None:
    """Below the others, as far in and in the same style, with comments and blank lines left where they were."""
    assert assign_probe(HEAD + before, PROBE) == HEAD + after


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("{%s} # end", "{%s, probes: {%s}} # end"),
        ("{%s, probes: {}}", "{%s, probes: {%s}}"),
        ("{%s, probes: , people: {}}", "{%s, probes: {%s} , people: {}}"),
        ("{%s, probes: null}", "{%s, probes: {%s}}"),
        ("{%s, probes:}", "{%s, probes: {%s}}"),
    ],
)
def test_a_file_in_flow_style_stays_one(before: str, after: str) -> None:
    """A file that is one pair of braces gets the probe between them."""
    head = "lab: {name: a, time_zone: UTC}, bins: {juniper: {trays: {top: }}}"
    assert assign_probe(before % head, PROBE).replace("  ", " ") == (after % (head, FLOW)).replace("  ", " ")


def test_a_probe_is_written_with_all_it_has() -> None:
    """Base name, time, interval, calibrations and notes come back as they were, quoted where YAML needs it."""
    points = (CalibrationPoint(1e-05, 62.5), CalibrationPoint(1950.25, 70.0), CalibrationPoint(1e14, 84.0))
    note = "oven: 'twice' \"dried\"\\ é \U0001f41b"
    calibrations = (Calibration(1767225600000, points, note), Calibration(1772353800000, points))
    probe = Probe(
        id="new-one",
        place="juniper/top",
        topic="worms/+/a: b, c",
        format=Format.JSON,
        channels=(
            Channel(key="t", measure="bedding_temperature", unit="Cel", name="/t/~1", model="ds18b20"),
            Channel(
                key="m",
                measure="bedding_moisture",
                unit="count",
                name="",
                model="capacitive",
                calibrations=calibrations,
            ),
        ),
        every_ms=90_500,
        time_pointer="/at",
    )
    after = assign_probe(HEAD, probe)
    assert read_lab(after).probes == (probe,)
    assert added(HEAD, after) == (
        "probes:\n"
        "  new-one:\n"
        "    place: juniper/top\n"
        '    topic: "worms/+/a: b, c"\n'
        "    format: json\n"
        "    time: /at\n"
        "    every: 90.5 s\n"
        "    channels:\n"
        "      t: {pointer: /t/~1, measure: bedding_temperature, unit: Cel, model: ds18b20}\n"
        "      m:\n"
        '        pointer: ""\n'
        "        measure: bedding_moisture\n"
        "        unit: count\n"
        "        model: capacitive\n"
        "        calibration:\n"
        "          - {from: 2026-01-01, points: [[1.0e-05, 62.5 %], [1950.25, 70 %], [100000000000000, 84 %]], "
        'note: "oven: \'twice\' \\"dried\\"\\\\ é \U0001f41b"}\n'
        '          - {from: "2026-03-01 08:30", points: [[1.0e-05, 62.5 %], [1950.25, 70 %], [100000000000000, '
        "84 %]]}\n"
    )


def test_a_pump_told_by_its_current_is_written_with_on_and_off() -> None:
    """Points of a switch are on and off, not numbers."""
    points = (CalibrationPoint(0.0, 0.0), CalibrationPoint(90.0, 1.0))
    pump = Channel(
        key="pump", measure="air_pump", unit="mA", model="switch", calibrations=(Calibration(1767225600000, points),)
    )
    probe = Probe(id="pump", place="kettle", topic="a", format=Format.NUMBER, channels=(pump,), every_ms=86_400_000)
    after = assign_probe(HEAD + "brewers: {kettle: }\n", probe)
    assert read_lab(after).probes == (probe,)
    assert 'points: [[0, "off"], [90, "on"]]' in after
    assert "every: 1 d\n" in after


def test_a_base_name_is_written() -> None:
    """A probe known by the start of its record names keeps it."""
    after = assign_probe(HEAD, replace(PROBE, senml_name="urn:dev:mac:0024befffe804ff1:"))
    assert '    senml_name: "urn:dev:mac:0024befffe804ff1:"\n' in after


def test_a_probe_that_would_not_be_sound_is_refused_with_every_reason() -> None:
    """The reasons are those of reading the file, placed where the probes stand in the file as it is."""
    bad = replace(PROBE, place="juniper/tpo", topic="a/#", every_ms=500)
    assert refusals(lambda: assign_probe(f"{HEAD}probes:\n  {OLD}\n", bad)) == [
        "lab.yaml:3:1 probes.new-one.every: '0.5 s' is out of range; between 1 s and 1 d",
        "lab.yaml:3:1 probes.new-one.place: 'juniper/tpo' is not a place of this lab; did you mean 'juniper/top'?",
        "lab.yaml:3:1 probes.new-one.topic: 'a/#' holds '#', which takes in too much; use '+' for one level",
    ]


def test_a_probe_that_would_claim_the_messages_of_another_is_refused() -> None:
    """An assignment cannot take readings away from a probe that is there."""
    same = replace(PROBE, topic="+", format=Format.NUMBER, channels=(Channel(key="c", measure="battery", unit="V"),))
    assert refusals(lambda: assign_probe(f"{HEAD}probes:\n  {OLD}\n", same)) == [
        "lab.yaml:3:1 probes.new-one.topic: probe 'old' (line 4) takes the same messages; give each its own topic"
    ]


def test_an_id_that_is_there_is_not_used_again() -> None:
    """The probe that is there is pointed at."""
    assert refusals(lambda: assign_probe(f"{HEAD}probes:\n  {OLD}\n", replace(PROBE, id="old"))) == [
        "lab.yaml:4:3 probes.old: probe 'old' is there already; choose another id"
    ]


@pytest.mark.parametrize("name", ["new one", "a: b", "a\nb", "\ud800", "", "%a", "k" * 300])
def test_an_id_that_cannot_be_a_key_is_refused(name: str) -> None:
    """Whatever is given as an id, nothing but a key gets into the file, and the reason is said."""
    said = refusals(lambda: assign_probe(HEAD, replace(PROBE, id=name)))
    assert all("key" in line for line in said)


def test_a_file_with_problems_is_not_changed() -> None:
    """What is wrong in the file comes first."""
    assert refusals(lambda: assign_probe(HEAD + "romo:\n", PROBE)) == [
        "lab.yaml:3:1 romo: unknown key; did you mean 'room'?"
    ]


def test_what_the_file_cannot_say_is_refused() -> None:
    """A calibration from a time with seconds would be read back as another; the program does not pretend."""
    points = (CalibrationPoint(1.0, 0.0), CalibrationPoint(2.0, 1.0))
    channel = replace(PROBE.channels[0], calibrations=(Calibration(1767225601000, points),))
    (said,) = refusals(lambda: assign_probe(HEAD, replace(PROBE, channels=(channel,))))
    assert "put these lines in by hand, under 'probes:'\n  new-one:\n    place: juniper/top\n" in said


MOIST = "measure: bedding_moisture, unit: '%'"
BLOCK = "\n        unit: '%'\n        measure: bedding_moisture\n"
POINTS = [(1900.0, "60 %"), (1600.5, "85 %")]
ITEM = "{from: 2026-03-01, points: [[1900, 60 %], [1600.5, 85 %]], note: oven}"
LONG_ITEM = (
    "          - from: 2026-01-01\n            points: [[1, 1 %], [2, 2 %]]\n            note: |-\n"
    "              from the oven\n\n"
)


def probe_with(channel: str) -> str:
    return (
        f"{HEAD}probes:\n  p:\n    place: juniper\n    topic: a\n    format: number\n    channels:\n      c:{channel}"
    )


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (f" {{{MOIST}}}\n", f" {{{MOIST}, calibration: [{ITEM}]}}\n"),
        (f" {{{MOIST}, calibration: }}\n", f" {{{MOIST}, calibration: [{ITEM}] }}\n"),
        (f" {{{MOIST}, calibration: ~}}\n", f" {{{MOIST}, calibration: [{ITEM}]}}\n"),
        (f" {{{MOIST}, calibration: []}} # c\n", f" {{{MOIST}, calibration: [{ITEM}]}} # c\n"),
        (f" {{{MOIST}, calibration: [{ITEM} # c\n  ]}}\n", f" {{{MOIST}, calibration: [{ITEM}, {ITEM} # c\n  ]}}\n"),
        (BLOCK.rstrip("\n") + " # c", f"{BLOCK.rstrip()} # c\n        calibration:\n          - {ITEM}"),
        (f"{BLOCK}        calibration: # later\n# end\n",
         f"{BLOCK}        calibration: # later\n          - {ITEM}\n# end\n"),
        (f"\n        unit: '%'\n        calibration:\n          - {ITEM}\n        measure: bedding_moisture\n",
         f"\n        unit: '%'\n        calibration:\n          - {ITEM}\n          - {ITEM}\n"
         "        measure: bedding_moisture\n"),
        (f"{BLOCK}        calibration:\n        - {ITEM}\n",
         f"{BLOCK}        calibration:\n        - {ITEM}\n        - {ITEM}\n"),
        (f"{BLOCK}        calibration: [{ITEM}]\n", f"{BLOCK}        calibration: [{ITEM}, {ITEM}]\n"),
        # A note written as a block of text ends with its line; what comes next starts on a new one.
        (f"{BLOCK}        calibration:\n{LONG_ITEM}    every: 1 h\n",
         f"{BLOCK}        calibration:\n{LONG_ITEM}          - {ITEM}\n    every: 1 h\n"),
    ],
)  # fmt: skip
def test_points_go_where_a_person_would_have_put_them(before: str, after: str) -> None:
    """In the style that the channel and its calibration are written in, after what is there."""
    assert set_calibration(probe_with(before), "p", "c", "2026-03-01", POINTS, "oven") == probe_with(after)


def test_points_with_a_time_and_without_a_note() -> None:
    """A date with a time of day is quoted, since it holds a colon; no note is no key."""
    before = probe_with(f" {{{MOIST}}}\n")
    after = set_calibration(before, "p", "c", "2026-03-01 08:30", POINTS)
    assert added(before, after) == ', calibration: [{from: "2026-03-01 08:30", points: [[1900, 60 %], [1600.5, 85 %]]}]'


C = "lab.yaml:9:7 probes.p.channels.c.calibration[0]"
DAY = "2026-03-01"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("q", "c", DAY, POINTS), "lab.yaml:3:1 probes: there is no probe 'q'; known: p"),
        (("p", "cc", DAY, POINTS), "lab.yaml:8:5 probes.p.channels: there is no channel 'cc'; did you mean 'c'?"),
        (("p", "c", "1 May", POINTS), f"{C}.from: '1 May' is not a date; write it like '2026-01-01' or "
         "'2026-01-01 08:30'"),
        (("p", "c", DAY, POINTS[:1]), f"{C}.points: needs two points or more, has 1"),
        (("p", "c", DAY, [(1.0, "2 %"), (2.0, "60 degC")]), f"{C}.points[1][1]: '60 degC': 'degC' is not a unit of "
         "percent; use one of %"),
        (("p", "c", DAY, [(1.0, "2 %"), (math.nan, "3 %")]), f"{C}.points[1]: nan is not a raw reading; a point is "
         "[raw, true value], like [1950, 62 %]"),
        (("p", "c", DAY, [(-math.inf, "2 %"), (1.0, "3 %")]), f"{C}.points[0]: -inf is not a raw reading; a point is "
         "[raw, true value], like [1950, 62 %]"),
        (("p", "c", DAY, POINTS, "a\nb"), f"{C}.note: holds the control character U+000A; write it as one line of "
         "plain text"),
    ],
)  # fmt: skip
def test_points_that_would_not_be_sound_are_refused(arguments: Any, said: str) -> None:
    """The reason stands at the channel in the file as it is, and nothing changes."""
    assert refusals(lambda: set_calibration(probe_with(f" {{{MOIST}}}\n"), *arguments)) == [said]


def test_a_lab_without_probes_has_none_to_calibrate() -> None:
    """There is nothing to offer instead."""
    assert refusals(lambda: set_calibration(HEAD, "p", "c", "2026-03-01", POINTS)) == [
        "lab.yaml:1:1 probes: there is no probe 'p'; known: none"
    ]


def test_a_layout_that_cannot_be_changed_is_refused_with_the_lines_to_paste() -> None:
    """Where the result does not read back as wanted, the person gets the lines instead of a damaged file."""
    before = probe_with(f"{BLOCK}        calibration: &set\n        - {ITEM}\n")
    assert refusals(lambda: set_calibration(before, "p", "c", "2026-03-01", POINTS, "oven")) == [
        "lab.yaml:9:7 probes.p.channels.c: this layout cannot be changed without risk; put these lines in by hand, "
        f"under 'calibration:'\n  - {ITEM}"
    ]
