"""The order of columns is no protocol: a rule over the sources of everything that talks to the journal."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.store.tables.rows import insert

ROOT = Path(__file__).parents[2]
SOURCES = sorted((ROOT / "collector").rglob("*.py"))
_STAR = re.compile(r"SELECT\s+(?:\w+\.)?\*", re.IGNORECASE)
_BY_POSITION = re.compile(r"(?:INTO|REPLACE)\s+(?!readings\b)\w+\s*\([^)]*\)\s*VALUES\s*\(\s*\?", re.IGNORECASE)
"""Readings alone go as tuples, whose order stands once."""
_UNNAMED = re.compile(r"(?:INTO|REPLACE)\s+\w+\s+VALUES", re.IGNORECASE)
_FAULTS = (_STAR, _UNNAMED, _BY_POSITION)


def texts(source: str) -> Iterator[str]:
    """Every piece of text that the program holds, the fixed parts of f-strings joined."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.JoinedStr):
            yield "".join(part.value if isinstance(part, ast.Constant) else "x" for part in node.values)  # type: ignore[misc]
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def faults(source: str) -> list[str]:
    return [text for text in texts(source) if any(fault.search(text) for fault in _FAULTS)]


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_sql_names_its_columns(path: Path) -> None:
    """No query takes all columns as they come, none puts values in without saying where, or by counting them off."""
    assert faults(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "source",
    [
        "db.execute('SELECT * FROM readings')",
        "db.execute('select n.* from notices n')",
        "db.execute('INSERT INTO meta VALUES(?, ?)')",
        "db.execute('INSERT OR REPLACE INTO meta VALUES (?, ?)')",
        "db.execute(f'INSERT INTO {table} VALUES(?)')",
        "db.execute('INSERT INTO meta(name, value) VALUES(?, ?)')",
        "db.execute('insert or replace into meta (name, value) values (?1, ?2)')",
        "db.execute(f'INSERT INTO {table}(name) VALUES(?)')",
    ],
)
def test_the_rule_finds_what_it_forbids(source: str) -> None:
    """Each way to break it."""
    assert len(faults(source)) == 1


def test_a_query_names_each_column_twice() -> None:
    """Where it goes, and by which name it is given."""
    assert insert("meta", ("name", "value")) == "INSERT INTO meta(name, value) VALUES(:name, :value)"
    assert insert("meta", ("name",), "INSERT OR REPLACE", "RETURNING name") == (
        "INSERT OR REPLACE INTO meta(name) VALUES(:name) RETURNING name"
    )
