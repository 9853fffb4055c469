"""YAML with positions, and pydantic's findings in our words."""

import json
import re
from enum import Enum
from pathlib import Path
from typing import Any, Literal
from unittest.mock import patch

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field, field_validator

from collector.config.yaml.text import Position, check, dotted, examine, read_yaml
from collector.domain.problems import Problem, Refused
from tests.worlds.strategies import trees

RULES = Path(__file__).parents[2].joinpath("rules/red-wigglers.yaml").read_text(encoding="utf-8")


class _Size(Enum):
    SMALL = "small"
    LARGE = "large"


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid")


class _Tray(_Part):
    level: int
    size: _Size = _Size.SMALL
    kind: Literal["open", "closed"] = "open"
    from_: str = Field("", alias="from")


class _Bin(_Part):
    name: str
    lid: bool = True
    weight: float = 1.0
    trays: dict[str, _Tray | None] | None = None
    spare: list[_Tray] = Field(default=[], max_length=2)
    pair: tuple[int, int] = (1, 2)
    places: list[str] = Field(default=["room"], min_length=1)

    @field_validator("weight")
    @classmethod
    def _positive(cls, value: float) -> float:
        if value <= 0:
            raise ValueError("must be more than 0")
        return value


def _read(text: str, model: type[BaseModel] | None) -> object:
    marked = read_yaml(text, "bin.yaml")
    return marked if model is None else check(marked, model)


def _refusals(text: str, model: type[BaseModel] | None = None) -> list[str]:
    with pytest.raises(Refused) as refused:
        _read(text, model)
    return [str(problem) for problem in refused.value.problems]


def test_data_comes_with_the_place_of_each_key_and_value() -> None:
    """Every value and key is found again at its line and column, counted from 1."""
    marked = read_yaml("name: Juniper\ntrays:\n  top: {level: 0}\n  list: [1, 2.5, yes, ~]\n", "bin.yaml")
    assert marked.data == {"name": "Juniper", "trays": {"top": {"level": 0}, "list": [1, 2.5, True, None]}}
    assert marked.keys["trays", "top"] == Position(3, 3)
    assert marked.values["trays", "top", "level"] == Position(3, 16)
    assert marked.values["trays", "list", 1] == Position(4, 13)


def test_dates_stay_text() -> None:
    """A date is checked where it means something; YAML does not turn it into an object."""
    assert read_yaml("from: 2026-01-01", "x").data == {"from": "2026-01-01"}


def test_an_empty_file_is_an_empty_mapping() -> None:
    """Nothing, and nothing but comments, are {}; what that means is for the caller to say."""
    assert read_yaml("", "x").data == {}
    assert read_yaml("# only a comment\n", "x").data == {}


def test_a_problem_below_what_is_there_stands_at_the_closest_thing_above() -> None:
    """A missing key has no place of its own, so its problem points at the group it is missing from."""
    marked = read_yaml("trays:\n  top: {}\n", "bin.yaml")
    assert marked.problem(("trays", "top", "level"), "missing", at_key=True) == Problem(
        file="bin.yaml", line=2, column=3, field="trays.top.level", message="missing"
    )
    assert marked.problem(("other",), "missing").line == 1


def test_a_problem_without_any_place_stands_at_the_start() -> None:
    """In a file with nothing in it, line 1 column 1 is as good as any."""
    assert read_yaml("", "x").problem(("a",), "missing") == Problem(
        file="x", line=1, column=1, field="a", message="missing"
    )


def test_paths_read_as_people_write_them() -> None:
    """Keys are joined by dots, list places in brackets."""
    assert dotted(("bins", "juniper", "trays", 0, "name")) == "bins.juniper.trays[0].name"
    assert dotted(()) == ""


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a: b: c", "bin.yaml:1:5 not valid YAML: mapping values are not allowed here"),
        ("a:\n\t- b", "bin.yaml:2:1 not valid YAML: found character '\\t' that cannot start any token; use spaces, not "
         "tabs, to indent"),
        ("unit: %RH", "bin.yaml:1:7 not valid YAML: found character '%' that cannot start any token; put text that "
         "starts with it in quotes"),
        ("a: [1, 2", "bin.yaml:1:9 not valid YAML: expected ',' or ']', but got '<stream end>'"),
        ("a: 1\r\nb: x\x00", "bin.yaml:2:5 not valid YAML: the character U+0000 cannot stand in YAML"),
        ('a: "\\UFFFFFFFF"', "bin.yaml:1:7 not valid YAML: a number is out of range here"),
        ("a: 1\n---\nb: 2\n", "bin.yaml:2:1 a second YAML document starts here; keep one"),
        ("a: *b", "bin.yaml:1:4 not valid YAML: found undefined alias 'b'"),
        ("[" * 1000, "bin.yaml:1:1 nested too deeply to be a settings file"),
        ("a" * 1_000_001, "bin.yaml:1:1 too long to be a settings file (over 1,000,000 characters)"),
        ("a: 1\na: 2\n", "bin.yaml:2:1 a: 'a' stands twice (first on line 1); keep one"),
        ("? [a]\n: 1", "bin.yaml:1:3 a key must be plain text"),
        ("a: &x [1]\nb: *x", "bin.yaml:1:4 b: YAML aliases (*name) are not taken; write the values out"),
        ("a: !!python/name:os.system x", "bin.yaml:1:4 a: the tag 'tag:yaml.org,2002:python/name:os.system' is not "
         "taken; write plain values"),
        ("a: !!set {x}", "bin.yaml:1:4 a: the tag 'tag:yaml.org,2002:set' is not taken; write plain values"),
        ('a: "\\ud800"', "bin.yaml:1:4 a: half a character (a lone surrogate) cannot be stored"),
        ('"a\\nb": 1', "bin.yaml:1:1 the key 'a\\nb' holds a control character"),
        (f"? {'k' * 201}\n: 1", f"bin.yaml:1:3 the key '{'k' * 56}... is too long"),
        (f"a: 0x{'f' * 20}", "bin.yaml:1:4 a: the number is too large"),
    ],
)  # fmt: skip
def test_what_is_not_taken_is_said_with_its_place(text: str, said: str) -> None:
    """Text that is not YAML, or YAML that settings do not need, is one line that says where and why."""
    assert _refusals(text) == [said]


def test_a_billion_laughs_ends_as_a_few_problems() -> None:
    """Aliases that would blow up to a billion values are refused without building them."""
    rows = ["a0: &a0 [x, x]"] + [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 9)}]" for i in range(1, 12)]
    assert all("aliases" in said for said in _refusals("\n".join(rows)))


def test_an_alias_inside_itself_is_refused() -> None:
    """A value that holds itself has no end; it is refused as any alias."""
    assert _refusals("a: &a {b: *a}") == ["bin.yaml:1:4 a.b: YAML aliases (*name) are not taken; write the values out"]


_DAMAGE = st.sampled_from([*":-{}[],'\"#&*!|>?%@`\\~= \n", "  ", "!!str ", "<<: ", "---\n", "é", "\u2028"])


@given(st.data())
def test_what_reads_fast_reads_the_same(data: st.DataObject) -> None:
    """What libyaml takes is what PyYAML's own reader makes of it, at the same places; what libyaml refuses is refused
    in the words of the other. A `?` inside a flow and a comment right at `|` are refused by one alone."""
    lines = RULES.splitlines(keepends=True)
    first = data.draw(st.integers(0, len(lines) - 1))
    text = "".join(lines[first : first + data.draw(st.integers(1, 12))])
    for _ in range(data.draw(st.integers(0, 3))):
        at = data.draw(st.integers(0, len(text)))
        text = text[:at] + data.draw(_DAMAGE) + text[at + data.draw(st.integers(0, 2)) :]
    fast = _outcome(text)
    with patch.object(yaml, "__with_libyaml__", False):
        careful = _outcome(text)
    lenient = isinstance(careful, list) and re.search(r"\?|[|>][-+0-9]*#", text) is not None
    assert fast == careful or lenient


def _outcome(text: str) -> object:
    try:
        return read_yaml(text, "bin.yaml")
    except Refused as refused:
        return refused.problems


def test_nesting_is_bounded() -> None:
    """Twenty levels are more than any settings file needs; the twenty-second is refused, not followed."""
    text = "".join(f"{'  ' * depth}k:\n" for depth in range(30))
    (said,) = _refusals(text)
    assert "nested too deeply" in said


def test_values_that_yaml_calls_numbers_but_cannot_read_stay_text() -> None:
    """`!!int abc` and a number of 5,000 digits are text for the checks to refuse, not a crash."""
    digits = "1" * 5000
    assert read_yaml(f"a: !!int abc\nb: !!bool x\nc: {digits}", "x").data == {"a": "abc", "b": "x", "c": digits}


def test_a_good_file_is_the_model() -> None:
    """Data without problems becomes the model, aliases and all."""
    found = check(read_yaml("name: Juniper\ntrays: {top: {level: 1, from: a}, low: }", "x"), _Bin)
    assert found.trays == {"top": _Tray.model_validate({"level": 1, "from": "a"}), "low": None}


def test_all_problems_of_a_file_come_at_once_in_file_order() -> None:
    """Each finding of pydantic is told in our words, with its place, what stands there and what would be right."""
    text = """\
name: 12
nmae: x
colour: red
lid: maybe
weight: -1
trays:
  top: {level: high, siez: small}
  low: {level: 1, size: smal, kind: 3, form: x}
  mid: [1]
spare: [{level: no-number}, 3, {}, {level: 1}]
pair: [1]
places: []
"""
    assert _refusals(text, _Bin) == [
        "bin.yaml:1:7 name: needs text, got 12; put it in quotes",
        "bin.yaml:2:1 nmae: unknown key; did you mean 'name'?",
        "bin.yaml:3:1 colour: unknown key; known here: name, lid, weight, trays, spare, pair, places",
        "bin.yaml:4:6 lid: needs yes or no, got 'maybe'",
        "bin.yaml:5:9 weight: must be more than 0",
        "bin.yaml:7:16 trays.top.level: needs a whole number, got 'high'",
        "bin.yaml:7:22 trays.top.siez: unknown key; did you mean 'size'?",
        "bin.yaml:8:25 trays.low.size: 'smal' is not one of small, large; did you mean 'small'?",
        "bin.yaml:8:37 trays.low.kind: 3 is not one of open, closed",
        "bin.yaml:8:40 trays.low.form: unknown key; did you mean 'from'?",
        "bin.yaml:9:8 trays.mid: needs keys with values below it, got a list",
        "bin.yaml:10:8 spare: list should have at most 2 items after validation, not 4, got a list",
        "bin.yaml:11:1 pair[1]: missing; this item is needed here",
        "bin.yaml:12:9 places: is too short; needs 1 or more",
    ]


def test_what_stands_there_is_named_whatever_it_is() -> None:
    """Nothing, yes/no, groups, lists and very long text are named so that the line stays readable."""
    assert _refusals("name:", _Bin) == ["bin.yaml:1:6 name: needs text, got nothing"]
    assert _refusals("name: yes", _Bin) == ["bin.yaml:1:7 name: needs text, got yes or no; put it in quotes"]
    assert _refusals("name: {a: 1}", _Bin) == ["bin.yaml:1:7 name: needs text, got keys with values"]
    assert _refusals("name: a\ntrays: " + "x" * 90, _Bin) == [
        f"bin.yaml:2:8 trays: needs keys with values below it, got '{'x' * 56}..."
    ]


def test_a_misspelt_key_is_not_also_told_as_missing() -> None:
    """One slip is one line: 'did you mean' already says which key is wanted."""
    assert _refusals("nmae: Juniper", _Bin) == ["bin.yaml:1:1 nmae: unknown key; did you mean 'name'?"]


def test_a_missing_key_is_told_where_it_belongs() -> None:
    """Nothing like the missing key is there, so the group it is missing from is pointed at."""
    assert _refusals("lid: yes\ntrays:\n  top: {}", _Bin) == [
        "bin.yaml:1:1 name: missing; this key is needed here",
        "bin.yaml:3:3 trays.top.level: missing; this key is needed here",
    ]


def test_an_unknown_key_deep_in_a_list_is_answered_with_the_keys_there() -> None:
    """The keys offered are those of the part the slip stands in, also inside lists."""
    assert _refusals("name: a\nspare: [{level: 1, lvl: 2}]", _Bin) == [
        "bin.yaml:2:20 spare[0].lvl: unknown key; did you mean 'level'?"
    ]


def test_examine_gives_the_paths_of_the_faults() -> None:
    """A caller that checks on past a fault learns which values it must not look at."""
    good, faults = examine(read_yaml("name: 1\nlid: x", "x"), _Bin)
    assert good is None
    assert [(fault.path, fault.key) for fault in faults] == [(("name",), False), (("lid",), False)]
    assert examine(read_yaml("name: a", "x"), _Bin) == (_Bin(name="a"), ())


def _plain() -> st.SearchStrategy[Any]:
    text = st.text(st.characters(min_codepoint=32, max_codepoint=0x2000, exclude_characters="\x7f"), max_size=8)
    safe = text.filter(lambda value: all(one.isprintable() for one in value))
    leaf = st.none() | st.booleans() | st.integers(-1000, 1000) | safe
    keys = safe.filter(bool)
    return trees(leaf, keys)


@given(_plain())
def test_json_reads_as_the_same_data(data: Any) -> None:
    """JSON is YAML: whatever plain data is written as JSON comes back unchanged, each value with a place."""
    marked = read_yaml(json.dumps(data, ensure_ascii=False), "x")
    assert marked.data == data
    assert marked.values[()] == Position(1, 1)


@given(st.text(max_size=60))
def test_any_text_reads_or_is_refused(text: str) -> None:
    """No text at all ends in anything but data or a Refused that has a place."""
    problems: tuple[Problem, ...] = ()
    try:
        read_yaml(text, "x")
    except Refused as refused:
        problems = refused.problems
    assert all(problem.line > 0 and problem.column > 0 and problem.message for problem in problems)
