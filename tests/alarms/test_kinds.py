"""A kind of rule is one module: its description says all that others must know, and nobody else names a kind."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import collector
from collector.alarms.kinds.table import KINDS
from collector.alarms.model import Kind
from collector.config.rules.fields import WANTED, AlarmFields

ROOT = Path(collector.__file__).parent


def names_of_kinds(file: Path) -> Iterator[str]:
    """Where a file of the collector names a kind of rule: 'config/x.py:12 Kind.HIGH'."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    imported = (node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom))
    if not any(one.module == "collector.alarms.model" and "Kind" in (n.name for n in one.names) for one in imported):
        return
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "Kind":
            yield f"{file.relative_to(ROOT)}:{node.lineno} Kind.{node.attr}"


def test_no_file_outside_the_room_of_kinds_names_one() -> None:
    """What differs from kind to kind is asked of the table, so a new kind needs no change anywhere else."""
    outside = [file for file in ROOT.rglob("*.py") if "kinds" not in file.relative_to(ROOT).parts]
    assert [found for file in outside for found in names_of_kinds(file)] == []
    assert list(names_of_kinds(ROOT / "alarms" / "kinds" / "level.py"))


def test_each_kind_is_described_once_under_its_own_name() -> None:
    """In the order of their names, which is the order of every list and schema."""
    assert list(KINDS) == list(Kind)
    assert [one.kind for one in KINDS.values()] == list(Kind)


@pytest.mark.parametrize("kind", Kind)
def test_a_kind_takes_only_fields_that_rule_files_have(kind: Kind) -> None:
    """A field it needs can also be asked for in words."""
    said = KINDS[kind]
    assert {*said.needs, *said.takes} <= AlarmFields.model_fields.keys()
    assert set(said.needs) <= WANTED.keys()
    assert not {*said.needs} & {*said.takes}
