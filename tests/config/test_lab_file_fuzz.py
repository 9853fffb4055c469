"""Whatever stands in lab.yaml, the answer is a Lab or problems that have places and words."""

import json
from typing import Any

from hypothesis import example, given
from hypothesis import strategies as st

from collector.config.lab_file import read_lab
from collector.config.lab_template import LAB_TEMPLATE
from collector.config.yaml.text import read_yaml
from collector.domain.lab import (
    Lab,
)
from collector.domain.problems import Problem, Refused
from tests.worlds.strategies import trees

PIECES = st.sampled_from(
    [
        *("[", "]", "{", "}", ": ", "- ", "\n", "\t", '"', "'", "#", "&a ", "*a", "|", "> ", "%", "@", "?", "~"),
        *("!!int ", "!!float ''", "<<: ", "---\n", "...\n", "null", "on", "1:30", "-0.0", ".nan", "1e999", "=", "+"),
        *(
            '"\\UFFFFFFFF"',
            '"\\ud800"',
            "\x00",
            "\x85",
            "\u2028",
            "\ufeff",
            "é",
            "",
            "{}",
            "[]",
            "0x" + "f" * 40,
        ),
        "2026-13-45",
        "1" * 5000,
    ]
)


@st.composite
def _mutated(draw: st.DrawFn) -> str:
    """The template with a few slips of the keyboard and worse."""
    lines = LAB_TEMPLATE.splitlines(keepends=True)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        words = lines[at].split(" ")
        word = draw(st.integers(0, len(words) - 1))
        words[word] = draw(PIECES | st.just(words[word] + ":") | st.text(max_size=5))
        lines[at] = draw(st.sampled_from([" ".join(words), "", lines[at] * 2, "  " + lines[at]]))
    return "".join(lines)


def _outcome(text: str) -> Lab | tuple[Problem, ...]:
    try:
        return read_lab(text)
    except Refused as refused:
        return refused.problems


@given(_mutated())
def test_a_damaged_lab_file_is_read_or_refused(text: str) -> None:
    """Whatever happened to the file, the answer is a Lab or problems that have places and words."""
    outcome = _outcome(text)
    assert isinstance(outcome, Lab) or all(p.line > 0 and p.column > 0 and p.message for p in outcome)
    assert outcome != ()


@given(st.text() | st.lists(PIECES, max_size=12).map("".join))
@example("lab: {name: a, time_zone: UTC}\nbins: {a: {trays: {b: [1]}}}\nprobes: {c: {place: a/b}}")
def test_any_text_is_read_or_refused(text: str) -> None:
    """No text at all crashes the reader."""
    outcome = _outcome(text)
    assert isinstance(outcome, Lab) or all(p.line > 0 and p.column > 0 and p.message for p in outcome)


_ODD = st.none() | st.booleans() | st.integers(-5, 5) | st.sampled_from(["room", "a", "senml", "json", "1 m", "count"])
JUNK = trees(_ODD, st.sampled_from(["a", "name", "place"]), wide=2, most=5)


@given(st.data())
def test_any_value_in_any_place_is_read_or_refused(data: st.DataObject) -> None:
    """Data of the wrong kind anywhere in a sound file, with everything around it still checked, is no crash."""
    sound = read_yaml(LAB_TEMPLATE, "lab.yaml")
    lab = json.loads(json.dumps(sound.data))
    for _ in range(data.draw(st.integers(1, 3))):
        path = data.draw(st.sampled_from([path for path in sound.values if path]))
        _put(lab, path, data.draw(JUNK))
    outcome = _outcome(json.dumps(lab))
    assert isinstance(outcome, Lab) or all(p.line > 0 and p.column > 0 and p.message for p in outcome)


def _put(data: Any, path: tuple[str | int, ...], value: Any) -> None:
    """Replace what stands at the path, if earlier junk has left a way there."""
    for part in path[:-1]:
        known = (isinstance(data, dict) and part in data) or (isinstance(data, list) and part in range(len(data)))
        data = data[part] if known else None
    if isinstance(data, dict) or (isinstance(data, list) and path[-1] in range(len(data))):
        data[path[-1]] = value  # type: ignore[index]
