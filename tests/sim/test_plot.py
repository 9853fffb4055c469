"""Pictures: what is drawn of truth, readings and messages, and what files they can be made of."""

import json
import re
from collections.abc import Callable
from pathlib import Path
from xml.etree.ElementTree import Element, fromstring

import pytest

from sim_sensors import chart, plot, recording, truth
from sim_sensors.pack import Pack
from sim_sensors.playing import Play
from sim_sensors.plot import CannotPlot
from sim_sensors.recording import BadRecording
from sim_sensors.scenario import Scenario
from sim_sensors.story import Panel, Place, Span, Story, time_ms
from tests.sim.small import HOUR_MS, START_MS, facts, played, small_lab
from tests.sim.test_payloads import ZOO

FAULTS = """\
- {kind: sentinel, probe: juniper-top, from: 20 min, for: 20 min}
- {kind: pump_stop, place: kettle, from: 90 min, for: 90 min}
"""
MORE = """\
second: {place: juniper/top, format: json, clock: none, channels: {moisture: {unit: "%"}, temperature: {unit: degF}}}
"""
MESSAGES: list[dict[str, object]] = [
    {"time": "2026-03-02T08:30:00Z", "place": "juniper/top", "subject": "A probe & its <code>"},
    {"time": START_MS + 95 * 60_000, "place": "kettle", "subject": "The pump is off"},
    {"time": "2027-01-01T00:00Z", "subject": "Much later"},
]


def lab() -> Scenario:
    return small_lab(ZOO + MORE, FAULTS)


def lines(path: Path, rows: list[str]) -> Path:
    path.write_text("".join(f"{row}\n" for row in rows), encoding="utf-8")
    return path


@pytest.fixture
def files(tmp_path: Path) -> list[Path]:
    """A truth file, a recording and messages of two hours in a small lab, every format in it."""
    packs = played(lab(), hours=2)
    told = [truth.head(lab(), 1, START_MS, 2 * HOUR_MS), *(truth.line(fact) for fact in facts(packs))]
    return [
        lines(tmp_path / "packs.jsonl", [recording.line(pack) for pack in packs]),
        lines(tmp_path / "messages.jsonl", [json.dumps(message) for message in MESSAGES]),
        lines(tmp_path / "truth.jsonl", told),
    ]


def parsed(svg: str) -> Element:
    return fromstring(svg)  # noqa: S314 - our own picture


def texts(svg: str) -> list[str]:
    return [element.text or "" for element in parsed(svg).iter() if element.tag.endswith("text")]


def circles(svg: str) -> int:
    return svg.count("<circle") - 4  # the legend's


def test_readings_of_every_format_come_near_the_truth(files: list[Path]) -> None:
    """What is drawn as dots is in the unit of the line and, sentinels aside, close to it at its time."""
    story = plot.read(files)
    assert story.places.keys() >= {"juniper/top", "juniper/bottom", "room", "kettle"}
    near = {"temperature": 1.0, "moisture": 1.0, "humidity": 4.0, "oxygen": 0.7, "pump": 0.01}
    for place in story.places.values():
        for quantity, panel in place.panels.items():
            if quantity == "leachate":
                continue  # no probe measures it here
            good = [(t, v) for t, v in panel.readings if v > -100]
            assert len(good) >= 80
            for t_ms, value in good:
                _, true = min(panel.truth, key=lambda point: abs(point[0] - t_ms))
                if quantity not in ("oxygen", "pump") or t_ms < START_MS + 80 * 60_000:
                    assert value == pytest.approx(true, abs=near[quantity])
    assert len(story.places["juniper/top"].panels["moisture"].readings) == 240


def test_spans_and_messages(files: list[Path]) -> None:
    """Faults and harms begin and end when the truth says so; what still stands at the end is left open."""
    story = plot.read(files)
    sentinel, blind = sorted(story.places["juniper/top"].spans, key=lambda span: span.kind)
    oxygen = next(span for span in story.places["kettle"].spans if span.name == "oxygen-low")
    assert oxygen.know_by_ms is not None
    assert oxygen.lasting_ms is not None
    assert START_MS + 90 * 60_000 < oxygen.know_by_ms < oxygen.lasting_ms
    assert sentinel == Span("fault", "sentinel (juniper-top)", START_MS + 1_200_000, START_MS + 2_400_000)
    assert (blind.kind, blind.name) == ("harm", "unwatched")
    assert {span.end_ms for span in story.places["kettle"].spans} == {None}
    assert [message.subject for message in story.messages] == [m["subject"] for m in MESSAGES]


def test_the_picture_says_everything_in_words(files: list[Path]) -> None:
    """Well-formed SVG; title, legend, places, quantities with units, times, faults, harms and messages stand in it."""
    svg = chart.svg(plot.read(files))
    said = texts(svg)
    expected = ["small: A small lab", "line: truth", "dots: readings", "juniper/top", "temperature,", "degC"]
    expected += ["moisture,", "% wet basis", "oxygen,", "mg/L", "time, UTC", "Mon 09:00", "harm: unwatched"]
    expected += ["fault: sentinel (juniper-top)", "fault: pump_stop", "harm: oxygen-low"]
    expected += ["1. Mon 08:30, juniper/top: A probe & its <code>", "2. Mon 09:35, kettle: The pump is off"]
    expected += ["3. not in this picture, Much later", "20 readings off the axis: -127"]
    assert [words for words in expected if words not in said] == []
    assert circles(svg) > 500
    assert "lasting" in said
    assert svg.count('class="by"') == 2  # one in the legend


def test_places_where_nothing_is_are_left_out(files: list[Path]) -> None:
    """Unless they are named, or nothing is anywhere, or a message is about the whole lab."""
    without = plot.read([files[0], files[2]])
    assert chart.chosen(without) == ["juniper/top", "kettle"]
    assert chart.chosen(without, ["room"]) == ["room"]
    assert len(chart.chosen(plot.read(files))) == 5
    assert len(chart.chosen(plot.played(Play(small_lab(), 1, START_MS, HOUR_MS)))) == 5


def test_a_run_is_drawn_as_its_files_are(files: list[Path]) -> None:
    """The same picture without the way through files."""
    story = plot.read([files[2], files[0]])
    assert chart.svg(plot.played(Play(lab(), 1, START_MS, 2 * HOUR_MS))) == chart.svg(story)


def test_long_stories_stay_small() -> None:
    """Of a hundred thousand readings no more than three for each pixel are drawn, the extremes among them."""
    many = [(START_MS + n * 1000, float(n % 977)) for n in range(100_000)]
    panel = Panel("degC", [(START_MS, 0.0), (START_MS + 100_000_000, 976.0)], many)
    svg = chart.svg(Story("long", START_MS, START_MS + 100_000_000, {"room": Place({"temperature": panel})}))
    assert 1000 < circles(svg) < 3000
    assert "off the axis" not in svg


@pytest.mark.parametrize(("hours", "mark"), [(0.5, "Mon 08:10"), (30, "Mon 12:00"), (24 * 20, "2026-03-"), (9e5, "20")])
def test_time_axes(hours: float, mark: str) -> None:
    """Two to ten marks at round times, from half an hour to a century."""
    panel = Panel("degC", [(START_MS, 1.0)])
    end = START_MS + round(hours * HOUR_MS)
    said = texts(chart.svg(Story("", START_MS, end, {"room": Place({"temperature": panel})})))
    marks = [words for words in said if re.fullmatch(r"\w{3} \d\d:\d\d|\d{4}-\d\d-\d\d", words)]
    assert any(words.startswith(mark) for words in marks)
    assert len(marks) >= 2


@pytest.mark.parametrize(
    ("values", "marks"),
    [
        ([20.0], ["19", "20", "21"]),
        ([0.0, 1000.0], ["0", "500", "1000"]),
        ([0.0, 0.1], ["-1", "0", "1", "2"]),
        ([20.2, 22.5], ["20", "21", "22", "23"]),
    ],
)
def test_value_axes_are_round(values: list[float], marks: list[str]) -> None:
    """Round numbers, and not so narrow that noise fills the panel."""
    panel = Panel("degC", [(START_MS, value) for value in values])
    said = texts(chart.svg(Story("", START_MS, START_MS + HOUR_MS, {"room": Place({"temperature": panel})})))
    assert [words for words in said if re.fullmatch(r"-?[\d.]+", words)] == marks


def test_a_place_with_readings_only_and_an_empty_panel() -> None:
    """Both are drawn."""
    place = Place({"leachate": Panel("", [], [(START_MS, 5.0), (START_MS + 1, 7.0)]), "pump": Panel("0 off, 1 on")})
    said = texts(chart.svg(Story("", START_MS, START_MS + HOUR_MS, {"juniper": place})))
    assert {"leachate,", "pump,"} <= set(said)


def test_times_have_a_zone() -> None:
    """ISO 8601 with its zone, or ms UTC."""
    assert time_ms("2026-03-02T10:00+02:00") == time_ms(START_MS) == START_MS
    with pytest.raises(ValueError, match="has no time zone"):
        time_ms("2026-03-02T10:00")


@pytest.mark.parametrize(
    ("which", "change", "told"),
    [
        (2, lambda text: "", "truth.jsonl:1: neither a truth file nor a recording nor messages"),
        (2, lambda text: "3\n", "truth.jsonl:1: not a JSON object"),
        (2, lambda text: text + "{", "truth.jsonl: not JSON Lines"),
        (2, lambda text: text + "{}", "'time' is missing"),
        (
            2,
            lambda text: text + '{"time": "soon", "kind": "state"}',
            "truth.jsonl:\\d+: Invalid isoformat string: 'soon'",
        ),
        (1, lambda text: text + '{"time": 1}', "messages.jsonl:4: 'subject' is missing"),
        (1, lambda text: text.replace("subject", "words"), "messages.jsonl:1: neither a truth file"),
    ],
)
def test_files_that_cannot_be_used(files: list[Path], which: int, change: Callable[[str], str], told: str) -> None:
    """Each is one line with file and line number."""
    files[which].write_text(change(files[which].read_text(encoding="utf-8")), encoding="utf-8")
    with pytest.raises(CannotPlot, match=told) as refused:
        plot.read(files)
    assert "\n" not in str(refused.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """One line that names it."""
    with pytest.raises(CannotPlot, match=r"none.jsonl: cannot be read: No such file"):
        plot.read([tmp_path / "none.jsonl"])


def test_two_truths_are_one_too_many(files: list[Path]) -> None:
    """A picture is of one run."""
    with pytest.raises(CannotPlot, match="one truth file is needed, 2 given"):
        plot.read([files[2], files[2]])


def test_a_recording_of_another_lab(files: list[Path]) -> None:
    """A payload that is not what the truth file says of its topic is told with the topic."""
    lines(files[0], [recording.line(Pack(START_MS, "worms/juniper/top", b"21.5"))])
    with pytest.raises(BadRecording, match="worms/juniper/top: the payload is not what the truth file says"):
        plot.read(files)


def test_only_svg_and_png(tmp_path: Path) -> None:
    """Another kind of file is refused."""
    with pytest.raises(CannotPlot, match=r"name a file that ends in .svg or .png"):
        plot.write(Story(), tmp_path / "story.gif")


def test_png_without_a_browser(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Says what is missing and what works without it."""
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(CannotPlot, match=r"a .png needs chromium, which is not installed; write a .svg"):
        plot.write(Story(), tmp_path / "story.png")


def test_a_browser_that_draws_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its exit code is told, and no file is left."""
    broken = tmp_path / "chromium"
    broken.write_text("#!/bin/sh\nexit 3\n")
    broken.chmod(0o700)
    monkeypatch.setenv("PATH", f"{tmp_path}:/bin:/usr/bin")
    with pytest.raises(CannotPlot, match=r"chromium drew nothing \(exit code 3\)"):
        plot.write(Story(), tmp_path / "story.png")


@pytest.mark.service
def test_png_by_chromium(files: list[Path], tmp_path: Path) -> None:
    """A PNG as large as the picture is (width and height stand in bytes 16 to 23 of a PNG)."""
    story = plot.read(files)
    plot.write(story, tmp_path / "story.png")
    plot.write(story, tmp_path / "story.svg")
    head = (tmp_path / "story.png").read_bytes()[:24]
    size = parsed((tmp_path / "story.svg").read_text(encoding="utf-8")).attrib
    assert head[:8] == b"\x89PNG\r\n\x1a\n"
    assert int.from_bytes(head[16:20], "big") == int(size["width"])
    assert int.from_bytes(head[20:24], "big") == int(size["height"])


def test_probes_that_share_a_topic_and_readings_that_are_missing() -> None:
    """SenML tells probes apart by name; a channel that sends no value leaves a gap in the dots, in any format."""
    shared = "second: {place: juniper/bottom, topic: worms/juniper/top}\nroom-air: {format: json}"
    cut = "- {kind: unplugged, place: room, channel: humidity, from: 20 min, for: 20 min}"
    story = plot.played(Play(small_lab(shared, cut), 1, START_MS, HOUR_MS))
    counts = [len(story.places[name].panels["moisture"].readings) for name in ("juniper/top", "juniper/bottom")]
    assert counts == [60, 120]
    assert len(story.places["room"].panels["humidity"].readings) == 40
    assert len(story.places["room"].panels["temperature"].readings) == 60


def test_no_line_is_drawn_where_there_was_nothing_to_tell() -> None:
    """A tray that had no pocket of feed for half a day gets two lines for its pocket, not one across the gap."""
    story = Story()
    run = {"kind": "run", "scenario": "gap", "title": "A gap", "duration_ms": 25 * HOUR_MS}
    story.add_fact({"time": truth.iso(START_MS), **run})
    tray = {"kind": "state", "name": "tray", "place": "juniper/top", "phase": "now", "pocket_c": 20}
    for hour in (*range(5), *range(20, 25)):
        story.add_fact({"time": truth.iso(START_MS + hour * HOUR_MS), **tray})
    story.finish()
    assert len(re.findall(r'<polyline [^>]*class="truth"', chart.svg(story))) == 2
