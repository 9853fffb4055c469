"""YAML text to checked values, with every problem at its line and column.

    read_yaml(text, file)      -> Marked: plain data plus where each value stands
    check(marked, Model)       -> an instance of a pydantic model, or Refused with all problems at once

YAML is read by PyYAML's composer and turned into plain data here, so that positions survive, doubled keys are refused
instead of the last one winning, and aliases cannot blow up (a "billion laughs" file ends as one problem).
"""

import re
import types
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeVar, get_args, get_origin

import yaml
from pydantic import BaseModel, ValidationError

from collector.domain.problems import Problem, Refused, nearest

Path = tuple[str | int, ...]
Model = TypeVar("Model", bound=BaseModel)
_MAX_DEPTH = 20
_DATA_TAGS = {f"tag:yaml.org,2002:{name}" for name in ("str", "int", "float", "bool", "null", "timestamp")}


@dataclass(frozen=True, slots=True)
class Mark:
    line: int
    column: int


@dataclass(frozen=True, slots=True)
class Marked:
    """Plain data (dict, list, str, int, float, bool, None) and where each value and key of it stands, from 1."""

    file: str
    data: Any
    values: Mapping[Path, Mark]
    keys: Mapping[Path, Mark]

    def problem(self, path: Path, message: str, *, at_key: bool = False) -> Problem:
        """A problem at `path`, or at the closest thing above it that stands in the file."""
        marks = self.keys if at_key else self.values
        for length in range(len(path), -1, -1):
            mark = marks.get(path[:length]) or self.values.get(path[:length])
            if mark is not None:
                return Problem(self.file, mark.line, mark.column, dotted(path), message)
        return Problem(self.file, 1, 1, dotted(path), message)


def dotted(path: Path) -> str:
    """('bins', 'juniper', 'trays', 0) as people write it: bins.juniper.trays[0]."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def read_yaml(text: str, file: str) -> Marked:
    """Parse one YAML document. Raises Refused where it is not YAML or holds what we do not take."""
    try:
        node = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.YAMLError as error:
        raise Refused([_syntax_problem(file, error)]) from None
    except RecursionError:
        raise Refused([Problem(file, 1, 1, "", "nested too deeply to be a settings file")]) from None
    builder = _Builder(file)
    data = {} if node is None else builder.build(node, ())
    if builder.problems:
        raise Refused(builder.problems)
    return Marked(file, data, builder.values, builder.keys)


def _syntax_problem(file: str, error: yaml.YAMLError) -> Problem:
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    said = getattr(error, "problem", None) or str(error).splitlines()[0]
    line, column = (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)
    hint = "; use spaces, not tabs, to indent" if "\\t" in said else ""
    return Problem(file, line, column, "", f"not valid YAML: {said}{hint}")


class _Builder:
    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.values: dict[Path, Mark] = {}
        self.keys: dict[Path, Mark] = {}
        self._seen: set[int] = set()

    def build(self, node: yaml.Node, path: Path) -> Any:
        self.values[path] = _mark(node)
        if len(path) > _MAX_DEPTH:
            return self._refuse(node, path, "nested too deeply to be a settings file")
        if not isinstance(node, yaml.ScalarNode):
            if id(node) in self._seen:
                return self._refuse(node, path, "YAML aliases (*name) are not taken; write the values out")
            self._seen.add(id(node))
        if isinstance(node, yaml.MappingNode):
            return self._mapping(node, path)
        if isinstance(node, yaml.SequenceNode):
            return [self.build(item, (*path, index)) for index, item in enumerate(node.value)]
        return self._scalar(node, path)

    def _mapping(self, node: yaml.MappingNode, path: Path) -> dict[str, Any]:
        data: dict[str, Any] = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, yaml.ScalarNode):
                self._refuse(key_node, path, "a key must be plain text")
                continue
            key = str(key_node.value)
            if key in data:
                first = self.keys[(*path, key)]
                self._refuse(key_node, (*path, key), f"'{key}' stands twice (first on line {first.line}); keep one")
                continue
            self.keys[(*path, key)] = _mark(key_node)
            data[key] = self.build(value_node, (*path, key))
        return data

    def _scalar(self, node: yaml.Node, path: Path) -> Any:
        if node.tag not in _DATA_TAGS:
            return self._refuse(node, path, f"the tag {node.tag} is not taken; write plain values")
        if node.tag.endswith(":timestamp"):
            return node.value  # dates are checked where they mean something
        try:
            return yaml.SafeLoader("").construct_object(node)  # type: ignore[no-untyped-call]
        except (ValueError, OverflowError):
            return node.value

    def _refuse(self, node: yaml.Node, path: Path, message: str) -> None:
        mark = _mark(node)
        self.problems.append(Problem(self.file, mark.line, mark.column, dotted(path), message))


def _mark(node: yaml.Node) -> Mark:
    return Mark(node.start_mark.line + 1, node.start_mark.column + 1)


def check(marked: Marked, model: type[Model]) -> Model:
    """The file's data as `model`. Raises Refused with every problem pydantic found, in our words and places."""
    try:
        return model.model_validate(marked.data)
    except ValidationError as error:
        raise Refused(_problem(marked, model, dict(found)) for found in error.errors(include_url=False)) from None


def _problem(marked: Marked, model: type[BaseModel], found: dict[str, Any]) -> Problem:
    path: Path = tuple(part for part in found["loc"] if part != "[key]")
    kind: str = found["type"]
    if kind == "extra_forbidden":
        known = _known_keys(model, path[:-1])
        guess = nearest(str(path[-1]), known)
        right = f"did you mean '{guess}'?" if guess else f"known here: {', '.join(known)}"
        return marked.problem(path, f"unknown key; {right}", at_key=True)
    if kind == "missing":
        return marked.problem(path, "missing; this key is needed here", at_key=True)
    return marked.problem(path, _words(kind, found), at_key="[key]" in found["loc"])


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
    if kind in _NEEDS:
        return f"{_NEEDS[kind]}, got {_short(value)}"
    said: str = found["msg"]
    return f"{said[:1].lower()}{said[1:]}, got {_short(value)}"


def _short(value: object) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, dict):
        return "keys with values"
    if isinstance(value, list):
        return "a list"
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _known_keys(model: Any, path: Path) -> tuple[str, ...]:
    """The keys a model takes at `path`, found by walking its annotations."""
    for part in path:
        model = _below(model, part)
    model = _first_model(model)
    return tuple(f.alias or name for name, f in model.model_fields.items()) if model is not None else ()


def _below(model: Any, part: str | int) -> Any:
    found = _first_model(model)
    if found is not None:
        for name, info in found.model_fields.items():
            if part in (name, info.alias):
                return info.annotation
        return None
    arguments = get_args(model)
    if get_origin(model) in (types.UnionType,) or type(None) in arguments:
        return _below(next((a for a in arguments if get_args(a) or _first_model(a)), None), part)
    return arguments[-1 if get_origin(model) is dict else 0] if arguments else None


def _first_model(model: Any) -> type[BaseModel] | None:
    candidates = (model, *get_args(model)) if get_origin(model) not in (dict, list, tuple) else (model,)
    return next((c for c in candidates if isinstance(c, type) and issubclass(c, BaseModel)), None)
