"""Damage that nobody has met yet, found by a collector that runs."""

import subprocess
import sys
from pathlib import Path

import pytest

from collector.config.clock import system_now
from collector.store.batch import Batch
from collector.store.connection import PAGE_BYTES
from collector.store.reader import Reader
from collector.store.repair.carve import FilePages
from collector.store.vocabulary import EventKind
from collector.watch.upkeep import every, usual_times
from tests.cli.in_process import InProcess
from tests.services.mosquitto import Mosquitto
from tests.store.samples import DAY, dump, happened, held, minutes, opened, with_series
from tests.store.test_damage import readings_pages
from tests.worlds.home import hot_pack, make_home

pytestmark = pytest.mark.service
_OVERWRITE = """
import os, sys
with open(sys.argv[1], "r+b") as file:
    file.seek(int(sys.argv[2]))
    file.write(os.urandom(int(sys.argv[3])))
"""


def overwrite(path: Path, page: int) -> None:
    """By another process: one that opens and closes the file itself would take SQLite's locks away from this one."""
    subprocess.run([sys.executable, "-c", _OVERWRITE, path, str(page * PAGE_BYTES), str(PAGE_BYTES)], check=True)


def test_a_page_lost_in_the_middle_is_found_set_aside_and_told(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Readings of days ago that nothing asks for: the slow check meets the page, all else is kept, what was published
    meanwhile is stored, and the journal says so, which the alarm goes by."""
    home, now_ms = make_home(tmp_path / "home"), system_now()
    path = home / "traywarden.db"
    with opened(home) as journal:
        journal.commit(Batch(rows=minutes(with_series(journal, 3), 1_200, now_ms - 4 * DAY)), now_ms)
    before = held(path)
    pages = readings_pages(path)
    page = pages[len(pages) // 2]
    gone = {row.rowid for row in FilePages(memoryview(path.read_bytes()), PAGE_BYTES).leaf_rows(page + 1)}
    often = usual_times() | {"slow check": every(0.02)}
    with InProcess(home, mosquitto.port, times=often) as watch:
        watch.until_said("connected")
        mosquitto.publish("worms/juniper/top", hot_pack(now_ms / 1000, 21.5))
        watch.until(lambda: counted(home) == len(before) + 2, "the reading")
        overwrite(path, page)
        watch.until_said("journal damaged", 1)
        watch.until_said("connected", 2)
        mosquitto.publish("worms/juniper/top", hot_pack(now_ms / 1000 + 1, 21.6))
        watch.until(lambda: counted(home) == len(before) + 4 - len(gone), "what came later")
        assert sum("journal damaged" in line for line in watch.log) == 1
    after = set(held(path))
    assert len(gone) > 10
    assert {(int(str(t)) << 14) | int(str(series)) for t, series, *_ in set(before) - after} == gone
    (told,) = [detail for _, kind, detail in happened(path) if kind == EventKind.JOURNAL_DAMAGED]
    assert f"{len(gone)} readings from" in told
    assert len(dump(path, "series")["series"]) >= 3
    assert len(list(home.glob("traywarden.db.damaged-*"))) > 0


def counted(home: Path) -> int:
    with Reader(home / "traywarden.db") as reader:
        return reader.readings_count()
