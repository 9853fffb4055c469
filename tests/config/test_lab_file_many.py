"""A lab of thousands of probes: what reading its file costs grows with their number, not with their pairs."""

import sys
from collections.abc import Callable
from contextlib import suppress
from types import FrameType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.config.lab_claims import shared_messages
from collector.config.lab_file import read_lab
from collector.config.yaml.text import read_yaml
from collector.domain.problems import Refused

_HEAD = """\
lab: {name: Quillbrook School worm lab, time_zone: UTC}
bins:
  juniper: {trays: {top: {}, middle: {}, bottom: {}}}
room: {name: Worm lab}
people:
  teacher: {email: teacher@quillbrook.example}
probes:
"""
_CHANNELS = "channels: {t: {name: t, measure: bedding_temperature, unit: Cel}}"
_SHAPES = {
    "a topic each": "topic: worms/{n}",
    "one topic, a name each": "topic: worms/board, senml_name: 'urn:{n}:'",
    "a plus each": "topic: worms/+/{n}",
    "all the same": "topic: worms/board",
    "all the same plus": "topic: worms/+",
}


def _probes(shape: str, number: int) -> str:
    lines = (
        f"  p-{n}: {{place: juniper/top, format: senml, {shape.replace('{n}', str(n))}, {_CHANNELS}}}\n"
        for n in range(number)
    )
    return _HEAD + "".join(lines)


def _calls(work: Callable[[], object]) -> int:
    """How many functions are called: the same on any machine, however busy."""
    counted = 0

    def count(_frame: FrameType, event: str, _argument: object) -> None:
        nonlocal counted
        counted += event in ("call", "c_call")

    before = sys.getprofile()
    sys.setprofile(count)
    try:
        work()
    finally:
        sys.setprofile(before)
    return counted


def _read(text: str) -> None:
    """Whether it is good or not."""
    with suppress(Refused):
        read_lab(text)


@pytest.mark.slow
@pytest.mark.parametrize("shape", _SHAPES.values(), ids=_SHAPES)
def test_four_times_the_probes_cost_four_times_the_work(shape: str) -> None:
    """Counted in function calls, with room for what grows by a logarithm; pair by pair it would be sixteen times."""
    few, many = (_probes(shape, number) for number in (100, 400))
    _read(few)  # what is only done once is done
    assert _calls(lambda: _read(many)) < 5 * _calls(lambda: _read(few))


_TOPICS = st.sampled_from(["a", "a/b", "a/+", "+/b", "+", "$a", "+/+"])
_KINDS = st.sampled_from(
    [
        "format: number",
        "format: json",
        "format: senml",
        "format: senml, senml_name: 'x:'",
        "format: senml, senml_name: 'x/'",
        "format: senml-cbor",
    ]
)
_NAMES = st.sampled_from(["t", "m", "x:t", "y.m"])


@given(st.lists(st.tuples(_TOPICS, _KINDS, _NAMES), max_size=6))
def test_a_probe_among_many_is_refused_as_it_would_be_with_each_before_it_alone(
    written: list[tuple[str, str, str]],
) -> None:
    """A problem at a probe names the first one before it with which it has one; no other probe has any."""
    lines = [_line(n, *one) for n, one in enumerate(written)]
    expected = []
    for n in range(len(lines)):
        clashes = [first for first in range(n) if _clashes([lines[first], lines[n]])]
        if clashes:
            expected.append((f"probes.p-{n}.topic", f"probe 'p-{clashes[0]}'"))
    assert _clashes(lines) == expected


def _line(n: int, topic: str, kind: str, name: str) -> str:
    where = {"format: number": "", "format: json": f"pointer: /{name}"}.get(kind, f"name: '{name}'")
    return f"  p-{n}: {{topic: {topic}, {kind}, channels: {{t: {{{where}}}}}}}"


def _clashes(lines: list[str]) -> list[tuple[str, str]]:
    marked = read_yaml("\n".join(["probes:", *lines, ""]), "lab.yaml")
    found = shared_messages(marked, marked.data["probes"] or {})
    return [(one.field, one.message.split(" (")[0]) for one in found]
