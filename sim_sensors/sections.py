"""Walking a YAML mapping so that every problem in it is noted with its line, and none stops the walk."""

import difflib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

import yaml

from sim_sensors import quantities


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One thing wrong: `file:line:column field: what, and what would be right`. Counted from 1."""

    file: str
    line: int
    column: int
    field: str
    message: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column} {self.field + ': ' if self.field else ''}{self.message}"


class BadScenario(Exception):
    """A scenario that cannot be played; all its problems, in file order."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(sorted(problems))
        super().__init__("\n".join(map(str, self.problems)))


def hint(word: str, known: Iterable[str]) -> str:
    """'; did you mean ...?' where something is close, else the whole list."""
    names = sorted(known)
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.6)
    return f"; did you mean '{close[0]}'?" if close else f"; use one of: {', '.join(names) or '(there are none)'}"


@dataclass(frozen=True, slots=True)
class Section:
    """A mapping in a file. Getters note what is wrong and go on with a stand-in value, so that one reading of the
    file finds everything; the stand-ins are never used, since any problem refuses the file."""

    file: str
    path: str
    node: yaml.Node
    problems: list[Problem] = field(default_factory=list)

    def at(self, key: str) -> str:
        return f"{self.path}.{key}" if self.path else key

    def note(self, message: str, key: str = "", node: yaml.Node | None = None) -> None:
        mark = (node or self.value(key) or self.node).start_mark
        path = self.at(key) if key else self.path
        self.problems.append(Problem(self.file, mark.line + 1, mark.column + 1, path, message))

    def pairs(self) -> Iterator[tuple[yaml.Node, str, yaml.Node]]:
        """(key node, key, value node) in file order; nothing where this is not a mapping."""
        if isinstance(self.node, yaml.MappingNode):
            for key, value in self.node.value:
                yield key, str(key.value) if isinstance(key, yaml.ScalarNode) else "?", value

    def value(self, key: str) -> yaml.Node | None:
        return next((value for _, name, value in self.pairs() if name == key), None)

    def keys(self, known: Iterable[str]) -> None:
        """Notes keys that are unknown or written twice, and a section that is no mapping at all."""
        names = list(known)
        self.mapping()
        for node, name, _ in self.pairs():
            if name not in names:
                self.note(f"unknown key '{name}'{hint(name, names)}", name, node)

    def mapping(self) -> None:
        if not isinstance(self.node, yaml.MappingNode):
            self.note("expected a mapping of 'key: value' lines")
        seen: set[str] = set()
        for node, name, _ in self.pairs():
            if name in seen:
                self.note(f"'{name}' stands here twice; keep one", name, node)
            seen.add(name)

    def section(self, key: str) -> "Section | None":
        node = self.value(key)
        return None if node is None else Section(self.file, self.at(key), node, self.problems)

    def children(self) -> Iterator[tuple[str, "Section"]]:
        """Named sections below this one; the names are checked, since topics are made of them."""
        self.mapping()
        for node, name, value in self.pairs():
            if not name or set(name) - set("abcdefghijklmnopqrstuvwxyz0123456789-"):
                self.note(f"'{name}' cannot be a name; use small letters, digits and '-'", node=node)
            yield name, Section(self.file, self.at(name), value, self.problems)

    def items(self, key: str) -> list["Section"]:
        """Sections of a list; none where the key is missing."""
        node = self.value(key)
        if node is None:
            return []
        if not isinstance(node, yaml.SequenceNode):
            self.note("expected a list of '- key: value' items", key)
            return []
        return [Section(self.file, f"{self.at(key)}[{n}]", item, self.problems) for n, item in enumerate(node.value)]

    def texts(self, key: str) -> list[tuple[yaml.Node, str]]:
        """The words of a list, each with its node; none where the key is missing."""
        node = self.value(key)
        if node is None:
            return []
        if not isinstance(node, yaml.SequenceNode) or not all(isinstance(one, yaml.ScalarNode) for one in node.value):
            self.note("expected a list, like '[a, b]'", key)
            return []
        return [(one, str(one.value)) for one in node.value]

    def flag(self, key: str) -> bool:
        """yes or no; no where the key is missing."""
        text = self.text(key, "no")
        if text not in ("yes", "no", ""):
            self.note(f"'{text}' is neither yes nor no", key)
        return text == "yes"

    def text(self, key: str, default: str | None = None) -> str:
        node = self.value(key)
        if node is None:
            if default is None:
                self.note(f"'{key}' is missing", key, self.node)
            return default or ""
        if not isinstance(node, yaml.ScalarNode) or not node.value.strip():
            self.note("expected text", key)
            return ""
        return str(node.value).strip()

    def number(
        self,
        key: str,
        dimension: str,
        default: float | None = None,
        low: float = 0.0,
        high: float = float("inf"),
    ) -> float:
        """A quantity from `low` to `high` in the unit used inside; required where there is no default."""
        if self.value(key) is None:
            if default is None:
                example = quantities.EXAMPLES[dimension]
                self.note(f"'{key}' is missing; write it like '{key}: {example}'", key, self.node)
            return low if default is None else default
        text = self.text(key)
        return self._checked(key, lambda: _bounded(text, dimension, low, high), low) if text else low

    def _checked(self, key: str, parse: Callable[[], float], stand_in: float) -> float:
        try:
            return parse()
        except ValueError as wrong:
            self.note(str(wrong), key)
            return stand_in


def _bounded(text: str, dimension: str, low: float, high: float) -> float:
    value = quantities.parse(text, dimension)
    if low <= value <= high:
        return value
    unit, scale = next(iter(quantities.SCALES.get(dimension, {"": 1.0}).items()))
    if high == float("inf"):
        raise ValueError(f"'{text}' is too small; {f'{low / scale:g} {unit}'.strip()} or more")
    raise ValueError(f"'{text}' is out of range; {f'{low / scale:g} to {high / scale:g} {unit}'.strip()}")
