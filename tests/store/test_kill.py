"""kill -9 at random moments: each batch whole or absent, and every one that was acknowledged there."""

import random
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

from collector.store.repair.damage import check
from tests.store.samples import counted, opened
from tests.store.writer import ROWS

KILLS = 12


def killed_after(folder: Path, start: int, lines: int) -> int:
    """Run the writer, kill it once it has acknowledged so many batches; the last one it acknowledged."""
    command = [sys.executable, "-m", "tests.store.writer", str(folder), str(start)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        for _ in range(lines):
            process.stdout.readline()
        process.send_signal(signal.SIGKILL)
        rest = process.stdout.read().splitlines()
    return int(rest[-1]) if rest else start + lines - 1


def test_killed_at_random_moments(tmp_path: Path) -> None:
    """Over many kills, with tidying and retention going on: nothing acknowledged is missing, nothing is half there."""
    source = random.Random(20260302)  # noqa: S311 - samples, no secrets
    path = tmp_path / "traywarden.db"
    next_batch = 0
    for _ in range(KILLS):
        acknowledged = killed_after(tmp_path, next_batch, source.randint(1, 40))
        check(path)
        with closing(sqlite3.connect(path)) as db:
            last = int(db.execute("SELECT value FROM meta WHERE name = 'rules'").fetchone()[0])
            assert last in (acknowledged, acknowledged + 1)
            messages = [key for (key,) in db.execute("SELECT key FROM outbox ORDER BY id")]
            assert messages == [f"batch-{n}" for n in range(last + 1)]
            assert db.execute("SELECT value FROM counters WHERE name = 'late'").fetchone() == (last + 1,)
            per_batch = dict(db.execute("SELECT value, count(*) FROM readings GROUP BY value"))
        whole = set(range(min(map(int, per_batch)), last + 1))
        assert set(map(int, per_batch)) == whole
        assert all(count == ROWS for value, count in per_batch.items() if int(value) != min(whole))
        next_batch = last + 1
    with opened(tmp_path) as journal:
        with closing(sqlite3.connect(path)) as db:
            assert db.execute("SELECT count(*) FROM readings").fetchone() == (counted(journal),)
            hourly = "SELECT count(*), min(total), max(total) FROM (SELECT sum(n) AS total FROM hourly GROUP BY hour)"
        while journal.tidy(0).left:
            pass
        with closing(sqlite3.connect(path)) as db:
            assert db.execute(hourly).fetchone() == (next_batch, ROWS, ROWS)
