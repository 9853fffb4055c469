"""Rows carved from the pages of a file, held against what SQLite itself reads from it."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.store.repair.carve import FilePages, Value, pages_of
from collector.store.repair.table_map import JournalMap, keep_map, kept_map, map_of

_NUMBERS = st.integers(-(2**63), 2**63 - 1)
_VALUES = st.one_of(
    st.none(), _NUMBERS, st.floats(allow_nan=False), st.text(max_size=40), st.binary(max_size=40), st.just("ä" * 3000)
)
_ROWS = st.dictionaries(_NUMBERS, st.tuples(_VALUES, _VALUES, _VALUES), max_size=60)


def _file(folder: Path, rows: dict[int, tuple[Value, ...]], page_size: int = 4096) -> tuple[Path, JournalMap]:
    """The same rows in a table with rowids and in one without."""
    path = folder / "some.db"
    path.unlink(missing_ok=True)
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA page_size={page_size}")
        db.execute("CREATE TABLE numbered(id INTEGER PRIMARY KEY, a, b, c, d GENERATED ALWAYS AS (id + 1) VIRTUAL)")
        db.execute("CREATE TABLE keyed(a, id INTEGER, b, c, PRIMARY KEY(id)) WITHOUT ROWID")
        db.executemany("INSERT INTO numbered(id, a, b, c) VALUES(?, ?, ?, ?)", [(k, *v) for k, v in rows.items()])
        db.executemany("INSERT INTO keyed(id, a, b, c) VALUES(?, ?, ?, ?)", [(k, *v) for k, v in rows.items()])
        db.commit()
        return path, map_of(db)


def _carved(pages: FilePages, found: JournalMap, table: str) -> Iterator[tuple[Value, ...]]:
    (one,) = (one for one in found.tables if one.name == table)
    for row in pages.rows(one.root):
        named = one.named(row)
        yield named["id"], named["a"], named["b"], named["c"]


@given(rows=_ROWS, page_size=st.sampled_from([512, 1024, 4096, 65_536]))
def test_what_is_carved_is_what_sqlite_reads(
    tmp_path_factory: pytest.TempPathFactory, rows: dict[int, tuple[Value, ...]], page_size: int
) -> None:
    """Every row of both kinds of table, with all kinds of values, short ones and ones that fill pages of their own."""
    path, found = _file(tmp_path_factory.mktemp("carve"), rows, page_size)
    wanted = [(key, *values) for key, values in rows.items()]
    pages = pages_of(path.read_bytes(), 4096)
    for table in ("numbered", "keyed"):
        assert sorted(map(repr, _carved(pages, found, table))) == sorted(map(repr, wanted))
    assert (pages.bad_cells, pages.unreadable) == (0, set())


@given(data=st.data())
def test_damage_never_raises_and_invents_nothing_whole(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Whatever bytes a page is overwritten with: the rows of all other leaves are found, and nothing is raised."""
    rows: dict[int, tuple[Value, ...]] = {number: (number, "x" * 50, float(number)) for number in range(300)}
    path, found = _file(tmp_path_factory.mktemp("carve"), rows, 1024)
    whole = bytearray(path.read_bytes())
    number = data.draw(st.integers(1, len(whole) // 1024))
    whole[(number - 1) * 1024 : number * 1024] = data.draw(st.binary(min_size=1024, max_size=1024))
    pages = pages_of(bytes(whole), 1024)
    for one in found.tables:
        for row in pages.rows(one.root):
            one.named(row)
    kept = {row.rowid for leaf in pages.leaves() if leaf != number for row in pages.leaf_rows(leaf)}
    lost = {row.rowid for row in pages_of(path.read_bytes(), 1024).leaf_rows(number)} if number > 1 else set()
    assert kept >= set(rows) - lost


def test_a_map_is_kept_and_read_back(tmp_path: Path) -> None:
    """Beside the database, as the database says it; what is no map is none."""
    path, found = _file(tmp_path, {1: (None, None, None)})
    with closing(sqlite3.connect(path)) as db:
        keep_map(db, path)
        assert kept_map(path) == found
        beside = path.with_name("some.db.map")
        written = beside.stat().st_mtime_ns
        keep_map(db, path)
        assert beside.stat().st_mtime_ns == written
    for text in ("", "[]", "{}", '{"page_size": 4096, "tables": [{"name": 1}]}', "\0"):
        beside.write_text(text)
        assert kept_map(path) is None


def test_what_only_the_log_holds_is_carved_too(tmp_path: Path) -> None:
    """Pages of whole transactions in the write-ahead log count before those of the file; one that was not finished does
    not."""
    path = tmp_path / "some.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode=WAL")
        db.execute("CREATE TABLE numbered(id INTEGER PRIMARY KEY, a, b, c)")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        for number in range(200):
            db.execute("INSERT INTO numbered(id, a) VALUES(?, ?)", (number, "x" * 60))
        found = map_of(db)
        data, wal = path.read_bytes(), path.with_name("some.db-wal").read_bytes()
    (table,) = found.tables

    def carved(log: bytes) -> int:
        return sum(1 for _ in pages_of(data, found.page_size, log).rows(table.root))

    assert carved(wal) == 200
    assert carved(b"") == 0
    assert carved(bytes(32) + wal[32:]) == 0
    assert 0 < carved(wal[: len(wal) // 2]) < 200
    damaged = bytearray(wal)
    damaged[len(wal) // 2] ^= 1
    assert 0 < carved(bytes(damaged)) < 200
