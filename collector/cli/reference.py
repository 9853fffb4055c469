"""The reference page, written from the code: `python -m collector.cli.reference > deploy/REFERENCE.md`.

Nothing stands in it that is not read from the parsers, models and tables that the program itself runs by; a test holds
that the page is current.
"""

import argparse
import ast
import inspect
import sys
from collections.abc import Iterable, Iterator, Mapping
from types import ModuleType
from typing import Any, get_args

from pydantic import SecretStr
from pydantic.fields import FieldInfo

from collector.alarms.contexts import CONDITION_EXAMPLES, WITHIN
from collector.alarms.kinds.table import KINDS
from collector.alarms.model import What
from collector.cli.known_commands import build_parser
from collector.config import settings as settings_module
from collector.config.lab_file import lab_schema
from collector.config.rules.fields import foreign, rules_schema
from collector.config.settings import PREFIX, Settings
from collector.domain.diary import AMOUNTS, PLACES, DiaryKind
from collector.domain.squeeze import FEELS
from collector.domain.units import MEASURES, PUBLISHED, sent_units

_HEAD = """\
# Reference

Every setting, command, field and word. Written from the code by `python -m collector.cli.reference`: do not edit.
What they are for stands in [README](../README.md); editors check `lab.yaml` and rules as you type by the schemas that
`traywarden init` writes.
"""
Schema = Mapping[str, Any]
Leaf = tuple[str, str, argparse.ArgumentParser]


def reference() -> str:
    """The whole page, in Markdown."""
    parts = (_settings(), _commands(), _lab_fields(), _rule_fields(), _diary(), _measures())
    return _HEAD + "".join("\n" + "\n".join(part).rstrip() + "\n" for part in parts)


def _table(head: Iterable[str], rows: Iterable[Iterable[str]]) -> Iterator[str]:
    columns = list(head)
    yield f"| {' | '.join(columns)} |"
    yield f"|{'---|' * len(columns)}"
    for row in rows:
        yield "| " + " | ".join(" ".join(cell.replace("|", "\\|").split()) for cell in row) + " |"
    yield ""


# Settings


def _settings() -> Iterator[str]:
    yield "## Settings"
    yield ""
    yield "Environment variables, or files of these names in the secrets folder. A secret is best kept in a file."
    yield ""
    said = _attribute_docs(settings_module)
    rows = [
        ("`TRAYWARDEN_HOME`", "folder", "`~/traywarden`", "The home folder; `--home` wins over it."),
        ("`TRAYWARDEN_SECRETS_DIR`", "folder", "`$CREDENTIALS_DIRECTORY`", "Folder of secret files."),
    ]
    for section, info in Settings.model_fields.items():
        model: Any = info.annotation
        for name, field in model.model_fields.items():
            variable = f"`{PREFIX}{section}__{name}`".upper()
            rows.append((variable, _takes(field), _default(field), said.get((model.__name__, name), "")))
    yield from _table(("setting", "takes", "default", "meaning"), rows)


def _attribute_docs(module: ModuleType) -> dict[tuple[str, str], str]:
    """What stands below each field of each class, as (class, field) -> text."""
    found = {}
    for part in ast.parse(inspect.getsource(module)).body:
        if isinstance(part, ast.ClassDef):
            for field, text in zip(part.body, part.body[1:], strict=False):
                if isinstance(field, ast.AnnAssign) and isinstance(text, ast.Expr):
                    found[part.name, ast.unparse(field.target)] = str(ast.literal_eval(text.value))
    return found


def _takes(field: FieldInfo) -> str:
    inside = [kind for kind in (get_args(field.annotation) or (field.annotation,)) if kind is not type(None)]
    if all(isinstance(kind, str) for kind in inside):
        return ", ".join(f"`{kind}`" for kind in inside)
    if _is_secret(field.annotation):
        return "secret"
    name = {int: "whole number", bool: "`true`, `false`"}.get(inside[0], "text")
    if "Path" in str(inside[0]):
        name = "file"
    bounds = {type(bound).__name__: bound for bound in field.metadata}
    low, high = bounds.get("Ge"), bounds.get("Le")
    return f"{name}, {low.ge} to {high.le}" if low and high else name


def _is_secret(annotation: Any) -> bool:
    return annotation is SecretStr or any(_is_secret(inner) for inner in get_args(annotation))


def _default(field: FieldInfo) -> str:
    found = field.default
    if found is None or found == "":
        return "none"
    return f"`{str(found).lower() if isinstance(found, bool) else found}`"


# Commands


def _commands() -> Iterator[str]:
    yield "## Commands"
    yield ""
    yield "Each takes `--home DIR`; exit 0 is good, 1 something is wrong with what was given or asked, 2 usage."
    yield ""
    for name, about, parser in leaf_commands(build_parser()):
        yield f"### traywarden {name}"
        yield ""
        yield about[:1].upper() + about[1:] + "."
        yield ""
        rows = [_argument(action) for action in parser._actions if action.dest not in ("help", "home")]
        if rows:
            yield from _table(("argument", "meaning"), rows)


def leaf_commands(parser: argparse.ArgumentParser, name: str = "") -> Iterator[Leaf]:
    """(whole name, what it does, its parser) of every command that does something."""
    for below in (action for action in parser._actions if isinstance(action, argparse._SubParsersAction)):
        for choice in below._choices_actions:
            child = below.choices[choice.dest]
            whole = f"{name} {choice.dest}".strip()
            if any(isinstance(action, argparse._SubParsersAction) for action in child._actions):
                yield from leaf_commands(child, whole)
            else:
                yield whole, choice.help or "", child


def _argument(action: argparse.Action) -> tuple[str, str]:
    shown = "/".join(action.option_strings) or str(action.metavar or action.dest)
    if action.option_strings and action.nargs != 0:
        shown += f" {action.metavar or (action.dest.upper() if not action.choices else 'WORD')}"
    notes = [(action.help or "").replace("%(default)s", str(action.default))]
    if action.choices is not None:
        notes.append("one of " + ", ".join(f"`{choice}`" for choice in action.choices))
    if action.required and action.option_strings:
        notes.append("required")
    return f"`{shown}`", "; ".join(note for note in notes if note)


# Fields of files


def _lab_fields() -> Iterator[str]:
    schema = lab_schema()
    yield "## lab.yaml"
    yield ""
    yield from _fields(schema, schema)
    for name, part in schema["$defs"].items():
        yield f"### {name.removesuffix('Part').lower()}"
        yield ""
        yield from _fields(part, schema)


def _fields(part: Schema, whole: Schema) -> Iterator[str]:
    needed = part.get("required", ())
    rows = [
        (
            f"`{name}`",
            _words(field, whole),
            "needed" if name in needed else _unless(field),
            field.get("description", ""),
        )
        for name, field in part["properties"].items()
    ]
    yield from _table(("field", "takes", "default", "meaning"), rows)


def _unless(field: Schema) -> str:
    found = field.get("default")
    if found is None or found in ("", [], {}):
        return ""
    return f"`{('yes' if found else 'no') if isinstance(found, bool) else found}`"


def _words(field: Schema, whole: Schema) -> str:
    """What may stand there, as far as the schema says it in a few words."""
    said = _kinds(field, whole)
    examples: list[object] = field.get("examples") or next(
        (inner["examples"] for inner in _inner(field) if "examples" in inner), []
    )
    shown = ", ".join(f"`{example}`" for example in examples[:3])
    return f"{said}, like {shown}" if shown else said


def _inner(field: Schema) -> list[Schema]:
    return [inner for inner in (*field.get("anyOf", ()), field.get("items", {})) if inner]


def _kinds(field: Schema, whole: Schema) -> str:
    if "$ref" in field:
        name = field["$ref"].rpartition("/")[2]
        target, short = whole["$defs"][name], name.removesuffix("Part").lower()
        return _kinds(target, whole) if "enum" in target else f"[{short}](#{short})"
    if "enum" in field:
        return ", ".join(f"`{value}`" for value in field["enum"])
    if "anyOf" in field:
        return " or ".join(
            dict.fromkeys(_kinds(choice, whole) for choice in field["anyOf"] if choice.get("type") != "null")
        )
    if field.get("type") == "array":
        return f"list of {_kinds(field.get('items', {}), whole)}"
    if field.get("type") == "object":
        inside = field.get("additionalProperties")
        return f"key: {_kinds(inside, whole)}" if isinstance(inside, dict) else "keys and values"
    names = {"string": "text", "boolean": "yes or no", "integer": "whole number", "number": "number", "array": "list"}
    kinds = field.get("type", "text")
    return " or ".join(names.get(kind, kind) for kind in ([kinds] if isinstance(kinds, str) else kinds))


def _rule_fields() -> Iterator[str]:
    schema = rules_schema()
    yield "## Rules"
    yield ""
    yield "Under `alarms:` in `rules/*.yaml`, by the name of the alarm."
    yield ""
    yield from _fields(schema["$defs"]["AlarmFields"], schema)
    yield "### Kinds of alarm"
    yield ""
    rows = [
        (
            f"`{kind}`",
            _listed(said.needs),
            _listed(field for field in _own() if field not in (*said.needs, *foreign(kind))),
        )
        for kind, said in KINDS.items()
    ]
    yield from _table(("kind", "needs besides what all need", "may have"), rows)
    yield "### Conditions"
    yield ""
    yield f"For `only_while` and `not_while`, such as {_listed(CONDITION_EXAMPLES)}. Before `within` may stand"
    yield f"{_listed(WITHIN)}. For `what`: {_listed(What)}."


def _own() -> list[str]:
    """The fields that not every kind has."""
    return list(dict.fromkeys(field for kind in KINDS for field in foreign(kind)))


def _listed(words: Iterable[str]) -> str:
    return ", ".join(f"`{word}`" for word in words)


# The diary, measures


def _diary() -> Iterator[str]:
    yield "## Diary"
    yield ""
    rows = [(f"`{kind}`", ", ".join(str(place.value) for place in PLACES[kind]), _amount(kind)) for kind in DiaryKind]
    yield from _table(("kind", "at", "amount"), rows)
    yield "Results of a squeeze test: " + ", ".join(f"`{feel}` ({what})" for feel, what in FEELS.items()) + "."
    yield "The words in brackets are answers too."


def _amount(kind: DiaryKind) -> str:
    amount = AMOUNTS.get(kind)
    return f"{amount.dimension}, like `{amount.example}`, at most {amount.most:g} {amount.unit}" if amount else ""


def _measures() -> Iterator[str]:
    yield "## Measures"
    yield ""
    rows = [
        (
            f"`{name}`",
            measure.label,
            measure.unit,
            _listed(sent_units(name)) if name in PUBLISHED else "the collector's own",
        )
        for name, measure in MEASURES.items()
    ]
    yield from _table(("measure", "is", "stored in", "may be sent in"), rows)


if __name__ == "__main__":
    sys.stdout.write(reference())
