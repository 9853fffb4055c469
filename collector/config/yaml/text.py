"""YAML text to checked values, with every problem at its line and column.

    read_yaml(text, file)      -> Marked: plain data plus where each value stands
    check(marked, Model)       -> an instance of a pydantic model, or Refused with all problems at once
    examine(marked, Model)     -> the instance or None, and the faults with their paths, for callers that check on;
                                  `renamed` says what keys of before are called now

YAML is read by PyYAML's composer and turned into plain data here, so that positions survive, doubled keys are refused
instead of the last one winning, and aliases cannot blow up (a "billion laughs" file ends as one problem).
"""

import re
import types
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, TypeVar, get_args, get_origin

import yaml
from pydantic import BaseModel, ValidationError

from collector.domain.problems import Problem, Refused, nearest

KeyPath = tuple[str | int, ...]
Model = TypeVar("Model", bound=BaseModel)
Renamed = Mapping[tuple[type[BaseModel], str], str]
"""Model and key of before -> what the key is called now."""
_MAX_DEPTH = 20
_MAX_INT = 2**63 - 1
_LONGEST_KEY = 200
_MAX_TEXT = 1_000_000
_HINTS = {"\\t": "; use spaces, not tabs, to indent"} | dict.fromkeys("%@`", "; put text that starts with it in quotes")
_LINE_BREAK = re.compile("\r\n|[\r\n\x85\u2028\u2029]")
_UNPRINTABLE = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
_UNUSUAL = re.compile("[^\n\x20-\x7e\xa0-\u2027\u202a-\ud7ff]|(?:^|[\\s,[{:-])[!?](?:[\\s,}\\]]|$)")
"""What libyaml and PyYAML's own reader do not take alike: rare characters, a lone `!` or `?`."""
_SURROGATE = re.compile("[\ud800-\udfff]")
_DATA_TAGS = {f"tag:yaml.org,2002:{name}" for name in ("str", "int", "float", "bool", "null", "timestamp")}
_BRANCH_TAGS = {"tag:yaml.org,2002:map", "tag:yaml.org,2002:seq"}


@dataclass(frozen=True, slots=True)
class Position:
    line: int
    column: int
    file: str = ""
    """Where values of several files stand together; empty: the file of the `Marked`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Marked:
    """Plain data (dict, list, str, int, float, bool, None) and where each value and key of it stands, from 1."""

    file: str
    data: Any
    values: Mapping[KeyPath, Position]
    keys: Mapping[KeyPath, Position]

    def problem(self, path: KeyPath, message: str, *, at_key: bool = False) -> Problem:
        """A problem at `path`, or at the closest thing above it that stands in the file."""
        marks = self.keys if at_key else self.values
        for length in range(len(path), -1, -1):
            mark = marks.get(path[:length]) or self.values.get(path[:length])
            if mark is not None:
                return Problem(
                    file=mark.file or self.file, line=mark.line, column=mark.column, field=dotted(path), message=message
                )
        return Problem(file=self.file, line=1, column=1, field=dotted(path), message=message)


def dotted(path: KeyPath) -> str:
    """('bins', 'juniper', 'trays', 0) as people write it: bins.juniper.trays[0]."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def read_yaml(text: str, file: str) -> Marked:
    """Parse one YAML document. Raises Refused where it is not YAML or holds what we do not take."""
    if len(text) > _MAX_TEXT:
        raise Refused(
            [
                Problem(
                    file=file,
                    line=1,
                    column=1,
                    message=f"too long to be a settings file (over {_MAX_TEXT:,} characters)",
                )
            ]
        )
    node = _compose(text, file)
    builder = _Builder(file)
    data = {} if node is None else builder.build(node, ())
    if builder.problems:
        raise Refused(builder.problems)
    return Marked(file=file, data=data, values=builder.values, keys=builder.keys)


if yaml.__with_libyaml__:

    class _Quick(yaml.composer.Composer, yaml.CSafeLoader):
        """PyYAML's composer, which knows how deep it may go, over libyaml, which reads eight times as fast."""

        def __init__(self, text: str) -> None:
            yaml.CSafeLoader.__init__(self, text)
            yaml.composer.Composer.__init__(self)


def _compose(text: str, file: str) -> yaml.Node | None:
    if yaml.__with_libyaml__ and _UNUSUAL.search(text) is None:
        with suppress(yaml.YAMLError, RecursionError, ValueError, OverflowError):
            return _Quick(text).get_single_node()
    return _carefully(text, file)


def _carefully(text: str, file: str) -> yaml.Node | None:
    """What is wrong is said by PyYAML's own reader, whose words this module knows."""
    try:
        loader = yaml.SafeLoader(text)
    except yaml.reader.ReaderError as error:
        line, column = _line_and_column(text, error.position)
        said = f"the character U+{ord(text[error.position]):04X} cannot stand in YAML"
        raise Refused([Problem(file=file, line=line, column=column, message=f"not valid YAML: {said}")]) from None
    try:
        return loader.get_single_node()
    except yaml.YAMLError as error:
        raise Refused([_syntax_problem(file, error)]) from None
    except RecursionError:
        raise Refused(
            [Problem(file=file, line=1, column=1, message="nested too deeply to be a settings file")]
        ) from None
    except (ValueError, OverflowError):  # PyYAML lets some slip: an escape past the last character
        raise Refused([_at(file, loader.get_mark(), "not valid YAML: a number is out of range here")]) from None


def _line_and_column(text: str, index: int) -> tuple[int, int]:
    before = _LINE_BREAK.split(text[:index])
    return len(before), len(before[-1]) + 1


def _syntax_problem(file: str, error: yaml.YAMLError) -> Problem:
    """PyYAML marks all its other errors, some only with the context they arose in."""
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    said = getattr(error, "problem", None) or str(error).splitlines()[0]
    if said == "but found another document":
        return _at(file, mark, "a second YAML document starts here; keep one")
    hint = next((hint for sign, hint in _HINTS.items() if f"found character '{sign}'" in said), "")
    return _at(file, mark, f"not valid YAML: {said}{hint}")


def _at(file: str, mark: yaml.Mark | None, message: str) -> Problem:
    line, column = (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)
    return Problem(file=file, line=line, column=column, message=message)


class _Builder:
    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.values: dict[KeyPath, Position] = {}
        self.keys: dict[KeyPath, Position] = {}
        self._seen: set[int] = set()
        self._scalars = yaml.constructor.SafeConstructor()

    def build(self, node: yaml.Node, path: KeyPath) -> Any:
        self.values[path] = _mark(node)
        if len(path) > _MAX_DEPTH:
            return self._refuse(node, path, "nested too deeply to be a settings file")
        if not isinstance(node, yaml.ScalarNode):
            if node.tag not in _BRANCH_TAGS:
                return self._refuse_tag(node, path)
            if id(node) in self._seen:
                return self._refuse(node, path, "YAML aliases (*name) are not taken; write the values out")
            self._seen.add(id(node))
        if isinstance(node, yaml.MappingNode):
            return self._mapping(node, path)
        if isinstance(node, yaml.SequenceNode):
            return [self.build(item, (*path, index)) for index, item in enumerate(node.value)]
        return self._scalar(node, path)

    def _mapping(self, node: yaml.MappingNode, path: KeyPath) -> dict[str, Any]:
        data: dict[str, Any] = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, yaml.ScalarNode):
                self._refuse(key_node, path, "a key must be plain text")
                continue
            key = str(key_node.value)
            if _UNPRINTABLE.search(key):
                self._refuse(key_node, path, f"the key {_short(key)} holds a control character")
                continue
            if len(key) > _LONGEST_KEY:
                self._refuse(key_node, path, f"the key {_short(key)} is too long")
                continue
            if key in data:
                first = self.keys[(*path, key)]
                self._refuse(key_node, (*path, key), f"'{key}' stands twice (first on line {first.line}); keep one")
                continue
            self.keys[(*path, key)] = _mark(key_node)
            data[key] = self.build(value_node, (*path, key))
        return data

    def _scalar(self, node: yaml.Node, path: KeyPath) -> Any:
        if node.tag not in _DATA_TAGS:
            return self._refuse_tag(node, path)
        if _SURROGATE.search(node.value):
            return self._refuse(node, path, "half a character (a lone surrogate) cannot be stored")
        if node.tag.endswith(":timestamp"):
            return node.value  # dates are checked where they mean something
        try:
            value = self._scalars.construct_object(node)
        except (ValueError, OverflowError, LookupError):  # `!!int abc`, `!!bool abc`, a number of 5,000 digits
            return node.value
        if isinstance(value, int) and abs(value) > _MAX_INT:
            return self._refuse(node, path, "the number is too large")
        return value

    def _refuse_tag(self, node: yaml.Node, path: KeyPath) -> None:
        self._refuse(node, path, f"the tag {_short(node.tag)} is not taken; write plain values")

    def _refuse(self, node: yaml.Node, path: KeyPath, message: str) -> None:
        mark = _mark(node)
        self.problems.append(
            Problem(file=self.file, line=mark.line, column=mark.column, field=dotted(path), message=message)
        )


def _mark(node: yaml.Node) -> Position:
    return Position(node.start_mark.line + 1, node.start_mark.column + 1)


@dataclass(frozen=True, slots=True)
class Fault:
    """A problem together with the path of the value (or, with `key`, of the key) that it is about."""

    path: KeyPath
    key: bool
    problem: Problem


def check(marked: Marked, model: type[Model]) -> Model:
    """The file's data as `model`. Raises Refused with every problem pydantic found, in our words and places."""
    good, faults = examine(marked, model)
    if good is None:
        raise Refused(fault.problem for fault in faults)
    return good


def examine(
    marked: Marked, model: type[Model], renamed: Renamed = types.MappingProxyType({})
) -> tuple[Model | None, tuple[Fault, ...]]:
    """The file's data as `model` with no faults, or None with all of them."""
    try:
        return model.model_validate(marked.data), ()
    except ValidationError as error:
        found = [dict(fault) for fault in error.errors(include_url=False)]
        misspelt = {_meant_path(model, fault) for fault in found if fault["type"] == "extra_forbidden"}
        return None, tuple(
            _fault(marked, model, fault, renamed)
            for fault in found
            if fault["type"] != "missing" or fault["loc"] not in misspelt
        )


def _meant_path(model: type[BaseModel], found: dict[str, Any]) -> KeyPath:
    """Where an unknown key was probably meant to be; its "did you mean" says that this one is missing, too."""
    parent: KeyPath = found["loc"][:-1]
    guess = nearest(str(found["loc"][-1]), _known_keys(model, parent))
    return (*parent, guess) if guess else ()


def _fault(marked: Marked, model: type[BaseModel], found: dict[str, Any], renamed: Renamed) -> Fault:
    path: KeyPath = tuple(part for part in found["loc"] if part != "[key]")
    about_key = "[key]" in found["loc"]
    kind: str = found["type"]
    if kind == "extra_forbidden":
        right = _right_key(model, path, renamed)
        return Fault(path, False, marked.problem(path, f"unknown key; {right}", at_key=True))
    if kind == "missing":
        what = "item" if isinstance(path[-1], int) else "key"
        return Fault(path, False, marked.problem(path, f"missing; this {what} is needed here", at_key=True))
    return Fault(path, about_key, marked.problem(path, _words(kind, found), at_key=about_key))


def _right_key(model: type[BaseModel], path: KeyPath, renamed: Renamed) -> str:
    """What to write instead of the unknown key at the end of `path`."""
    above, key = _model_at(model, path[:-1]), str(path[-1])
    now = renamed.get((above, key)) if above is not None else None
    if now is not None:
        return f"it is called '{now}' now"
    known = _known_keys(model, path[:-1])
    guess = nearest(key, known)
    return f"did you mean '{guess}'?" if guess else f"known here: {', '.join(known)}"


_NEEDS = {
    "string_type": "needs text",
    "int_type": "needs a whole number",
    "int_parsing": "needs a whole number",
    "float_type": "needs a number",
    "float_parsing": "needs a number",
    "bool_type": "needs yes or no",
    "bool_parsing": "needs yes or no",
    "dict_type": "needs keys with values below it",
    "model_type": "needs keys with values below it",
    "list_type": "needs a list",
    "tuple_type": "needs a list",
}


def _words(kind: str, found: dict[str, Any]) -> str:
    value = found.get("input")
    if kind in ("value_error", "assertion_error"):
        return str(found["ctx"]["error"])
    if kind in ("literal_error", "enum"):
        allowed = re.findall(r"'([^']*)'", found["ctx"]["expected"])
        guess = nearest(str(value), allowed)
        hint = f"; did you mean '{guess}'?" if guess else ""
        return f"{_short(value)} is not one of {', '.join(allowed)}{hint}"
    if kind == "too_short":
        return f"is too short; needs {found['ctx']['min_length']} or more"
    if kind in _NEEDS:
        quotes = "; put it in quotes" if kind == "string_type" and isinstance(value, (bool, int, float)) else ""
        return f"{_NEEDS[kind]}, got {_short(value)}{quotes}"
    said: str = found["msg"]
    return f"{said[:1].lower()}{said[1:]}, got {_short(value)}"


def _short(value: object) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "yes or no"
    if isinstance(value, dict):
        return "keys with values"
    if isinstance(value, list):
        return "a list"
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _known_keys(model: Any, path: KeyPath) -> tuple[str, ...]:
    """The keys a model takes at `path`."""
    found = _model_at(model, path)
    return tuple(f.alias or name for name, f in found.model_fields.items()) if found is not None else ()


def _model_at(model: Any, path: KeyPath) -> type[BaseModel] | None:
    """The model that holds what stands at `path`, found by walking the annotations."""
    for part in path:
        model = _below(model, part)
    return _first_model(model)


def _below(model: Any, part: str | int) -> Any:
    found = _first_model(model)
    if found is not None:
        fields = found.model_fields.items()
        return next((info.annotation for name, info in fields if part in (name, info.alias)), None)
    arguments = get_args(model)
    if get_origin(model) in (types.UnionType,) or type(None) in arguments:
        return _below(next((a for a in arguments if get_args(a) or _first_model(a)), None), part)
    return arguments[-1 if get_origin(model) is dict else 0] if arguments else None


def _first_model(model: Any) -> type[BaseModel] | None:
    candidates = (model, *get_args(model)) if get_origin(model) not in (dict, list, tuple) else (model,)
    return next((c for c in candidates if isinstance(c, type) and issubclass(c, BaseModel)), None)
