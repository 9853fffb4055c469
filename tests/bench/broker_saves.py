"""What the broker writes to the disk by saving its file, at 24 messages a minute: bytes a day by the kernel's count.

A save writes all that waits. So it costs a page or two while the collector takes everything at once, and more the
longer the collector is away. Each save is asked for, and what it wrote is the broker's own `write_bytes` of
/proc/PID/io, the file system's journal not included; a day is then the sum over its saves.
"""

import tempfile
import time
from pathlib import Path

from tests.bench.lab import TRAYS, pack
from tests.services.mosquitto import Mosquitto

_A_DAY = 24 * 1_440
EVERY_S = (10, 60, 600)
_START_S = 1_772_438_400


def measure(whole: bool) -> dict[str, float | int]:
    """MB a day with nothing waiting, and over a day, all of it without the collector, by seconds between saves."""
    waiting = _A_DAY if whole else _A_DAY // 8
    on_disk = Path(__file__).resolve().parents[2]
    with (
        tempfile.TemporaryDirectory(dir=on_disk) as name,
        Mosquitto(Path(name) / "broker", settings=["autosave_interval 0"]) as broker,
    ):
        empty = _bytes_a_save(broker)
        broker.keep_session("bench", "worms/#")
        packs = (pack(TRAYS[n % len(TRAYS)], _START_S + n * 2.5, 21.5, 0.76) for n in range(waiting))
        broker.publish_lines("worms/bench", packs)
        full = _bytes_a_save(broker)
    each = (full - empty) / waiting
    found: dict[str, float | int] = {"empty_save_bytes": round(empty), "waiting_bytes": round(each)}
    for every_s in EVERY_S:
        saves = 86_400 / every_s
        found[f"mb_per_day_{every_s}_s"] = round(saves * empty / 1e6, 1)
        found[f"gb_first_day_away_{every_s}_s"] = round(saves * (empty + each * _A_DAY / 2) / 1e9, 2)
    return found


def _bytes_a_save(broker: Mosquitto, times: int = 5) -> float:
    before = broker.written_bytes()
    for _ in range(times):
        broker.save()
        time.sleep(0.05)
    return (broker.written_bytes() - before) / times
