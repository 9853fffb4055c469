"""The uplink: readings a second into a real database on this machine, and what a reading takes on wire and disks.

Three days of 24 one-minute series in a journal (thirty with --whole); the follower sends them all. `journal_bytes` is
the size of the journal for each reading, `wire_bytes` what the compressed writes took, `far_bytes` what the other
database holds on its disk afterwards.
"""

import gzip
import os
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from collector.config.log import Log
from collector.domain.lab import SeriesKey
from collector.store.batch import Batch
from collector.store.journal import Journal
from collector.store.line_protocol import LabTags
from collector.uplink.destination import Destination
from collector.uplink.follower import Follower
from collector.uplink.queue import UplinkStore
from collector.uplink.writer import InfluxWriter
from tests.bench.lab import LAB_NAME, TRAYS
from tests.services.victoria import Victoria

START_MS = 1_772_409_600_000
_MINUTE_MS = 60_000
_KINDS = (("temperature", "bedding_temperature", 16, 300), ("moisture", "bedding_moisture", 10, 750))


class _Counting(InfluxWriter):
    """Counts what goes over the wire, compressed as the library does it."""

    sent_bytes = 0

    def write(self, lines: Sequence[str], now_ms: int) -> None:
        self.sent_bytes += len(gzip.compress("\n".join(lines).encode()))
        super().write(lines, now_ms)


def measure(whole: bool) -> dict[str, float | int | str | None]:
    days = 30 if whole else 3
    with tempfile.TemporaryDirectory(prefix="traywarden-uplink-") as name:
        folder = Path(name)
        readings = _fill(folder / "traywarden.db", days)
        with Victoria(folder / "far") as far:
            writer = _Counting(Destination(url=far.url, bucket="worms"))
            with UplinkStore(folder / "traywarden.db") as store:
                now_ms = START_MS + (days + 1) * 86_400_000
                follower = Follower(store, writer, LabTags(LAB_NAME, "Quillbrook"), lambda: now_ms, Log(print))
                began, used = time.monotonic(), time.thread_time()
                while follower.send_one():
                    pass
                took_s, cpu_s = time.monotonic() - began, time.thread_time() - used
            writer.close()
        far_bytes = sum(path.stat().st_size for path in (folder / "far" / "data").rglob("*") if path.is_file())
        return {
            "readings": readings,
            "readings_per_s": round(readings / took_s),
            "readings_per_cpu_s": round(readings / cpu_s),
            "wire_bytes": round(writer.sent_bytes / readings, 1),
            "journal_bytes": round(os.path.getsize(folder / "traywarden.db") / readings, 1),
            "far_bytes": round(far_bytes / readings, 2),
        }


def _fill(path: Path, days: int) -> int:
    """24 series: temperature and moisture in each tray, twice."""
    with Journal(path, "UTC", START_MS) as journal:
        numbers = []
        for box in ("a", "b"):
            for tray in TRAYS:
                for channel, measure_name, step, middle in _KINDS:
                    key = SeriesKey(
                        probe=f"{tray.replace('/', '-')}-{box}", channel=channel, measure=measure_name, place=tray
                    )
                    numbers.append(
                        (journal.series_id(key, "", tray.split("/")[0], tray.split("/")[1], START_MS), step, middle)
                    )
        count = 0
        for day in range(days):
            batch = Batch()
            for minute in range(day * 1440, (day + 1) * 1440):
                t = START_MS + minute * _MINUTE_MS
                for number, step, middle in numbers:
                    raw = middle + (minute * 7 + number * 13) % 23
                    batch.rows.append((t, number, raw / step, 1, raw / step, 0))
            count += len(batch.rows)
            journal.commit(batch, t)
            journal.tidy(t)
        return count
