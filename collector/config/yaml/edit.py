"""One more entry in a YAML file, one value changed or one entry less: every comment of the rest and every other byte
stays as it is.

PyYAML's composer says at which character each value starts and ends; the new text goes after the last value of the
group it joins, in the group's own style: below it and as far in, or between its brackets. Whoever calls reads the
result back, for a layout that nobody foresaw.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, cast

import yaml

from collector.config.yaml.write import block, flow, pair, scalar

_LINE_BREAK = re.compile("\r\n|[\r\n\x85\u2028\u2029]")
_BLANK_BEFORE = re.compile(r"(\r\n|\r|\n) *\1 *\Z")
_COMMA_AFTER = re.compile(r"(?P<between>(?:[ \t\r\n]|(?<=[ \t\r\n])#[^\r\n]*)*),[ \t]*")
_STEP = "  "


@dataclass(frozen=True, slots=True)
class Entry:
    """What to add to the group under the key `group`: a value under `name`, or an item of a list where that is None."""

    group: str
    name: str | None
    value: Any

    @property
    def whole(self) -> Any:
        """The group as it is when this is all there is in it."""
        return [self.value] if self.name is None else {self.name: self.value}

    def lines(self, indent: str) -> list[str]:
        return [f"{indent}- {flow(self.value)}"] if self.name is None else block(self.name, self.value, indent)

    def inline(self) -> str:
        return flow(self.value) if self.name is None else pair(self.name, self.value)


def find(text: str, path: Sequence[str]) -> yaml.MappingNode:
    """The group at `path` of a file known to hold one there."""
    node: Any = yaml.compose(text, Loader=yaml.SafeLoader)
    for key in path:
        node = _value(node, key)
    return cast(yaml.MappingNode, node)


def add(text: str, parent: yaml.MappingNode, entry: Entry) -> str:
    """`text` with the entry added at the end of its group, which is made where it is missing or empty."""
    group = _value(parent, entry.group)
    if group is None:
        return _new_group(text, parent, entry)
    if isinstance(group, yaml.CollectionNode) and group.value:
        return _longer_group(text, group, entry)
    return _first_of_group(text, parent, group, entry)


def change(text: str, node: yaml.Node, value: str) -> str:
    """`text` with a scalar, a value or a key, written anew."""
    return text[: node.start_mark.index] + scalar(value) + text[node.end_mark.index :]


def item(group: yaml.MappingNode, name: str) -> tuple[yaml.Node, yaml.Node]:
    """Key and value of one entry of a group known to hold it."""
    return next((key, value) for key, value in group.value if key.value == name)


def remove(text: str, group: yaml.MappingNode, name: str) -> str:
    """`text` without one entry of a group: its lines with the comments on and further in than them, or what stands for
    it between brackets, with its comma."""
    key, value = item(group, name)
    start, end = key.start_mark.index, max(_end(key), _end(value))
    if group.flow_style:
        comma = _COMMA_AFTER.match(text, end)
        return text[:start] + (text[end:] if comma is None else comma["between"] + text[comma.end() :])
    column = key.start_mark.column
    after = _line_after(text, end)
    rest = "" if after is None else text[_deeper_comments(text, after, column) :]
    return text[: start - column] + rest


def _new_group(text: str, parent: yaml.MappingNode, entry: Entry) -> str:
    if parent.flow_style:
        return _after_last(text, parent, pair(entry.group, entry.whole))
    indent = " " * parent.value[0][0].start_mark.column
    return _below(text, _end(parent), block(entry.group, entry.whole, indent))


def _longer_group(text: str, group: yaml.CollectionNode, entry: Entry) -> str:
    if group.flow_style:
        return _after_last(text, group, entry.inline())
    if isinstance(group, yaml.MappingNode):
        start = group.value[-1][0].start_mark
        apart = [""] if _BLANK_BEFORE.search(text[: start.index]) else []
        return _below(text, _end(group), [*apart, *entry.lines(" " * start.column)], deeper_than=start.column)
    return _below(text, _end(group), entry.lines(" " * group.start_mark.column))


def _first_of_group(text: str, parent: yaml.MappingNode, group: yaml.Node, entry: Entry) -> str:
    """In place of nothing, null, {} or []."""
    start, end = group.start_mark.index, group.end_mark.index
    written = text[start:end]
    if parent.flow_style or (isinstance(group, yaml.CollectionNode) and not re.fullmatch(r"[\[{] *[\]}]", written)):
        if isinstance(group, yaml.CollectionNode):
            return text[: start + 1] + entry.inline() + text[start + 1 :]
        return f"{text[:start]}{'' if text[:start].endswith(' ') else ' '}{flow(entry.whole)}{text[end:]}"
    bare = text[:start].rstrip(" ") if written else text[:start]
    key = next(key for key, value in parent.value if value is group)
    lines = entry.lines(" " * key.start_mark.column + _STEP)
    return _below(bare + text[end:], len(bare), lines)


def _after_last(text: str, group: yaml.CollectionNode, inline: str) -> str:
    index = _end_of_last(group)
    return f"{text[:index]}, {inline}{text[index:]}"


def _below(text: str, index: int, lines: list[str], deeper_than: int | None = None) -> str:
    """The lines after the line on which the character at `index` stands, and after comments further in than that."""
    any_break = _LINE_BREAK.search(text)
    newline = any_break[0] if any_break else "\n"
    added = newline.join(lines)
    start = _line_after(text, index)
    if start is None:
        return text + newline + added
    if deeper_than is not None:
        start = _deeper_comments(text, start, deeper_than)
    return text[:start] + added + newline + text[start:]


def _deeper_comments(text: str, start: int, column: int) -> int:
    """Where lines from `start` on that hold nothing but a comment further in than the column end."""
    comments = re.compile(rf"(?: {{{column + 1},}}#[^\r\n]*(?:\r\n|\r|\n))*")
    return comments.match(text, start).end()  # type: ignore[union-attr] # it matches nothing, too


def _line_after(text: str, index: int) -> int | None:
    """Where the next line starts; `index` itself for text of the `|` kind, which ends with its line."""
    if text[index - 1 : index] in ("\n", "\r") and text[index - 1 : index + 1] != "\r\n":
        return index
    found = _LINE_BREAK.search(text, index)
    return found.end() if found else None


def _end(node: yaml.Node) -> int:
    """Where the last thing in a node ends; a block group's own end mark lies past the comments after it."""
    if isinstance(node, yaml.CollectionNode) and not node.flow_style and node.value:
        return _end_of_last(node)
    return int(node.end_mark.index)


def _end_of_last(group: yaml.CollectionNode) -> int:
    last = group.value[-1]
    return max(_end(part) for part in last) if isinstance(last, tuple) else _end(last)


def _value(node: yaml.MappingNode, key: str) -> yaml.Node | None:
    return next((value for name, value in node.value if name.value == key), None)
