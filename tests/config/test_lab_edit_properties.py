"""Changes to sound lab files of any layout: the text only gains, and reads as the lab that was wanted."""

from dataclasses import replace
from datetime import date

from hypothesis import given
from hypothesis import strategies as st

from collector.config.lab_edit import assign_probe, set_calibration
from collector.config.lab_file import read_lab
from collector.config.lab_template import LAB_TEMPLATE
from collector.config.yaml.text import read_yaml
from collector.config.yaml.write import block, flow
from collector.domain.lab import Calibration, Channel, Format, Probe
from collector.domain.problems import Refused
from tests.config.lab_texts import added
from tests.worlds.strategies import LINES, SENDABLE, trees

OLD = "old: {place: room, topic: old, format: number, channels: {c: {measure: battery, unit: V}}}"
TWO = "two: {place: room, topic: two, format: number, channels: {c: {measure: battery, unit: V}}}"
DEEP = """\
  old:
    place: room
    topic: old
    format: number
    channels:
      c: {measure: battery, unit: V}  # changed in spring
"""
SPACE = st.sampled_from(["", "\n", "# comment\n", "  # further in\n", "          # far in\n", "\n\n"])
SECTIONS = {
    "bins": ["bins: {juniper: {trays: {top: }}}\n", "bins:\n  juniper:\n    trays:\n      top:\n"],
    "probes": [
        "",
        "probes:\n",
        f"probes:\n  {OLD}\n",
        f"probes:\n{DEEP}",
        f"probes: {{{OLD}}}\n",
        f"probes: {{{OLD}, # c\n  {TWO},\n  }}\n",
        f"probes:\n  {OLD} # c\n\n  # more\n  {TWO}\n",
    ],
    "room": [
        "",
        "room:\n",
        "room: {name: a}\n",
        'room:\n  name: "a: b"\n',
        "room:\n  name: >-\n    Worm\n    lab\n\n#\n",
    ],
    "people": ["", "people: # none\n", "people: {teacher: {email: teacher@quillbrook.example}}\n"],
}


@st.composite
def lab_texts(draw: st.DrawFn) -> str:
    """Sound lab files, written in many ways: order, style, comments, blank lines, line endings, end of file."""
    parts = ["lab: {name: a, time_zone: UTC}\n"]
    for section in draw(st.permutations(list(SECTIONS))):
        parts += [draw(st.sampled_from(SECTIONS[section])), draw(SPACE)]
    text = "".join(parts)
    text = text.rstrip("\n") if draw(st.booleans()) else text
    return text.replace("\n", draw(st.sampled_from(["\n", "\r\n", "\r"])))


KEYS = st.from_regex(r"[a-z0-9]{1,6}(-[a-z0-9]{1,5})?", fullmatch=True)
SENML_NAMES = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9:./_-]{0,8}", fullmatch=True)
CHANNELS = st.builds(
    Channel,
    key=KEYS,
    measure=st.just("bedding_temperature"),
    unit=st.sampled_from(["Cel", "degF", "K"]),
    name=SENML_NAMES,
    model=st.sampled_from(["generic", "ds18b20"]),
)


def _key(channel: Channel) -> str:
    return channel.key


def _name(channel: Channel) -> str:
    return channel.name


PROBES = st.builds(
    Probe,
    id=KEYS.filter(lambda key: key not in ("old", "two")),
    place=st.sampled_from(["juniper", "juniper/top"]),
    topic=LINES.map(lambda text: "worms/" + text.replace("#", "/").replace("+", "/")),
    format=st.sampled_from([Format.SENML_JSON, Format.SENML_CBOR]),
    channels=st.lists(CHANNELS, min_size=1, max_size=3, unique_by=(lambda one: one.key, lambda one: one.name)).map(
        tuple
    ),
    every_ms=st.integers(1_000, 86_400_000),
    senml_name=st.just("") | SENML_NAMES,
)


@given(lab_texts(), PROBES)
def test_assigning_only_adds_and_reads_back(text: str, probe: Probe) -> None:
    """The lab gains exactly this probe; every comment and every other byte of the file stays where it was."""
    lab = read_lab(text)
    after = assign_probe(text, probe)
    assert read_lab(after) == replace(lab, probes=(*lab.probes, probe))
    assert added(text, after)


@given(
    where=st.sampled_from([("juniper-top", "moisture"), ("juniper-middle", "moisture"), ("maple-top", "moisture")]),
    day=st.dates(date(2000, 1, 1), date(2100, 12, 31)),
    raws=st.lists(st.floats(-1e6, 1e6).map(lambda raw: round(raw, 3)), min_size=2, max_size=4, unique=True),
    note=LINES,
    newline=st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_calibrating_only_adds_and_reads_back(
    where: tuple[str, str], day: date, raws: list[float], note: str, newline: str
) -> None:
    """The channel gains exactly these points; every other byte of the template stays, on any line ending."""
    before = LAB_TEMPLATE.replace("\n", newline)
    points = [(raw, f"{60 + place} %") for place, raw in enumerate(sorted(raws))]
    after = set_calibration(before, *where, day.isoformat(), points, note)
    assert added(before, after)
    (new,) = set(_calibrations(after, *where)) - set(_calibrations(before, *where))
    assert [(point.raw, f"{point.value:g} %") for point in new.points] == points
    assert new.note == note


def _calibrations(text: str, probe: str, channel: str) -> tuple[Calibration, ...]:
    (found,) = (one for one in read_lab(text).probes if one.id == probe)
    (place,) = (one for one in found.channels if one.key == channel)
    return place.calibrations


ANY_POINTS = st.lists(st.tuples(st.floats(), st.text(max_size=8)), max_size=3)


def _attempt(text: str, *given_: object) -> str:
    try:
        return set_calibration(text, *given_)  # type: ignore[arg-type] # anything at all is the point
    except Refused as refused:
        return text if refused.problems else ""


@given(lab_texts(), KEYS, st.text(max_size=8), st.text(max_size=12), ANY_POINTS, st.text(max_size=8))
def test_anything_given_for_a_calibration_is_taken_or_refused(
    text: str, probe: str, channel: str, day: str, points: list[tuple[float, str]], note: str
) -> None:
    """Whatever a person gives on the command line, the answer is a sound file or reasons."""
    probes = [one.id for one in read_lab(text).probes]
    for probe_id, channel_key in ((probe, channel), ("old", "c")):
        after = _attempt(text, probe_id, channel_key, day, points, note)
        assert [one.id for one in read_lab(after).probes] == probes


DATA = trees(st.floats(allow_nan=False) | st.text(SENDABLE), LINES, most=8)


@given(DATA)
def test_what_is_written_reads_back(data: object) -> None:
    """Text and numbers of any kind come back as they were, on one line or below each other, as does the empty text."""
    assert read_yaml(f"key: {flow(data)}", "x").data == {"key": data}
    assert read_yaml("\n".join(block("key", data, "  ")), "x").data == {"key": data}
