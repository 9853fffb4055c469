"""Stored readings as columns: all of them, once, exact, and never a moment split between two chunks."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from collector.domain.lab import SeriesKey
from collector.store.batch import Batch, ReadingRow
from collector.store.connection import open_read_only
from collector.store.journal import Journal
from collector.store.reader import Reader
from collector.store.tables.columns import columns

_START = 1_772_438_400_000
_DAY = 86_400_000
_TIMES = (0, 1, 1, 1, 1, 2, 5, 60_000, 60_000, _DAY, 400 * _DAY, 400 * _DAY, 2_000 * _DAY)


def _journal(folder: Path, rows: list[ReadingRow]) -> Path:
    path = folder / "traywarden.db"
    with Journal(path, "UTC", _START) as journal:
        for number in range(4):
            journal.series_id(
                SeriesKey(probe=f"probe-{number}", channel="temperature", measure="bedding_temperature", place="room"),
                "",
                "",
                "",
                0,
            )
        journal.commit(Batch(rows=rows), _START)
    return path


def _row(number: int, t_ms: int) -> ReadingRow:
    """The fourth has no number, the sixth was late."""
    value = None if number == 3 else 1e300 * number
    return (_START + t_ms, number % 4 + 1, value, 1, value, 1024 if number == 5 else 0)


@pytest.mark.parametrize("size", [1, 2, 3, 5, 7, 1_000])
def test_every_reading_comes_once_and_exact(tmp_path: Path, size: int) -> None:
    """Whatever the size of the chunks: same rows, NaN where there was no number, reasons beside them, times in order
    and no time in two chunks, over gaps of years."""
    rows = [_row(number, t_ms) for number, t_ms in enumerate(_TIMES)]
    db, _ = open_read_only(_journal(tmp_path, rows))
    chunks = list(columns(db, _START, _START + 3_000 * _DAY, size))
    db.close()
    found = [
        (int(t), int(s), float(raw), int(why))
        for chunk in chunks
        for t, s, raw, why in zip(chunk.t_ms, chunk.series, chunk.raw, chunk.why, strict=True)
    ]
    in_order = sorted(rows, key=lambda row: row[:2])
    assert repr(found) == repr([(t, s, np.nan if raw is None else raw, why) for t, s, _, _, raw, why in in_order])
    for earlier, later in pairwise(chunks):
        assert earlier.t_ms[-1] < earlier.until_ms <= later.t_ms[0]


def test_only_the_stretch_asked_for(tmp_path: Path) -> None:
    """From `since` on, before `until`; an empty stretch gives nothing."""
    path = _journal(tmp_path, [(_START + t, 1, 1.0, 1, 1.0, 0) for t in range(10)])
    with Reader(path) as reader:
        found = [int(t) - _START for chunk in reader.columns(_START + 2, _START + 5) for t in chunk.t_ms]
        assert found == [2, 3, 4]
        assert list(reader.columns(_START + 5, _START + 5)) == []
        assert list(reader.columns(_START + 100, _START + 200)) == []
