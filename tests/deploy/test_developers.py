"""DEVELOPERS.md: what it names is there, and its rooms are those of the import contracts."""

import ast
import builtins
import keyword
import re
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.deploy.documents import page
from tests.deploy.machine import CHECKOUT

PAGE = "DEVELOPERS.md"
FOLDERS = ("", "collector", "deploy", "deploy/probe", "tests")
"""From where a path may be given."""


def names_of(path: Path) -> Iterator[str]:
    """Every name that a module gives to something, and `Class.member` for what stands in a class."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        match node:
            case ast.ClassDef():
                yield node.name
                yield from (f"{node.name}.{name}" for part in node.body for name in _given(part))
            case _:
                yield from _given(node)


def _given(node: ast.AST) -> Iterator[str]:
    match node:
        case ast.FunctionDef() | ast.AsyncFunctionDef() | ast.ClassDef():
            yield node.name
        case ast.arg():
            yield node.arg
        case ast.AnnAssign(target=ast.Name(id=name)):
            yield name
        case ast.Assign(targets=targets):
            yield from (target.id for target in targets if isinstance(target, ast.Name))
        case ast.Constant(value=str(text)) if text.isidentifier():
            yield text


def test_each_file_it_names_is_there() -> None:
    """From the checkout, or beside a file whose folder the same paragraph names."""
    missing = []
    for paragraph in page(PAGE).split("\n\n"):
        named = [span for span in re.findall(r"`([^`\n]+)`", paragraph) if _is_path(span)]
        beside = {str(Path(span).parent) for span in named} | {span for span in named if (CHECKOUT / span).is_dir()}
        for span in named:
            if not any((CHECKOUT / folder / span).exists() for folder in (*FOLDERS, *beside)):
                missing.append(span)
    assert missing == []


def _is_path(span: str) -> bool:
    """A place in the checkout; what begins with '/' is on an installed machine."""
    return bool(re.fullmatch(r"\w[\w./-]*/[\w./-]*|[\w-]+\.(py|sh|md|yaml|sql|toml)", span))


@pytest.mark.slow
def test_each_name_it_names_is_there() -> None:
    """Classes with their members, functions, constants, arguments, words of files: of the code, or of the tests where
    the paragraph speaks of these."""
    code = known_in("collector", "sim_sensors", "deploy") | set(sys.stdlib_module_names) | set(dir(builtins))
    code |= {path.name for path in (CHECKOUT / "collector").iterdir()} | {"sim_sensors"}
    tests, asked, missing = known_in("tests"), 0, []
    for paragraph in re.split(r"\n\n|\n- ", page(PAGE)):
        for span in re.findall(r"`([^`\n]+)`", paragraph):
            name = span.partition("(")[0]
            if not re.fullmatch(r"[A-Za-z_][\w.]*(\([\w, ]*\))?", span) or _is_path(name) or keyword.iskeyword(name):
                continue
            asked += 1
            if name not in code and not ("tests/" in paragraph and name in tests):
                missing.append(name)
    assert asked > 30
    assert missing == []


def known_in(*folders: str) -> set[str]:
    return {name for folder in folders for path in (CHECKOUT / folder).rglob("*.py") for name in names_of(path)}


def test_its_rooms_are_those_of_the_import_contract() -> None:
    """The same rows in the same order, pure where the contract of purity says so."""
    contracts = tomllib.loads(page("pyproject.toml"))["tool"]["importlinter"]["contracts"]
    layers = [[room.strip() for room in layer.split("|")] for layer in contracts[0]["layers"]]
    pure = {module.rpartition(".")[2] for module in contracts[1]["source_modules"] if module.startswith("collector.")}
    rows = [row.split(" | ") for row in page(PAGE).splitlines() if row.startswith("| `")]
    assert [re.findall(r"`([a-z]+)`", row[0]) for row in rows] == layers
    for row, layer in zip(rows, layers, strict=True):
        assert row[-1].strip(" |") == ("pure" if set(layer) <= pure else "shell"), layer
