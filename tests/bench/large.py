"""What a start takes in labs that are larger than most: probes that report each second, and thousands of probes.

The first starts with 24 channels that have reported each second for a day (with --whole for a week, as far as quality
checks look back). The second has 1,000 probes in lab.yaml (8,000), each with a topic of its own.
"""

import tempfile
import time
from pathlib import Path

from tests.bench.lab import BATTERY, TRAYS, fill
from tests.bench.memory import resident_mb
from tests.services.mosquitto import Mosquitto
from tests.services.watching import Watch
from tests.worlds import texts
from tests.worlds.texts import MOISTURE, TEMPERATURE, probe_text


def measure(whole: bool) -> dict[str, float | int]:
    with tempfile.TemporaryDirectory() as name, Mosquitto(Path(name) / "broker") as broker:
        return _each_second(Path(name), broker.port, 7 if whole else 1) | _many(
            Path(name), broker.port, 8_000 if whole else 1_000
        )


def _each_second(folder: Path, port: int, days: int) -> dict[str, float | int]:
    boxes = (
        probe_text(TRAYS[n % 6], TEMPERATURE, MOISTURE, BATTERY, name=f"p-{n}", topic=f"worms/{n}", more="every: 1 s")
        for n in range(8)
    )
    home = _home(folder / "fast", *boxes)
    readings = fill(home, days, every_s=1)
    took_s, peak_mb = _start(home, port)
    return {"fast_readings": readings, "fast_start_s": took_s, "fast_peak_mb": peak_mb}


def _many(folder: Path, port: int, probes: int) -> dict[str, float | int]:
    boxes = (probe_text("juniper/top", TEMPERATURE, name=f"p-{n}", topic=f"worms/{n}") for n in range(probes))
    home = _home(folder / "many", *boxes)
    took_s, peak_mb = _start(home, port)
    return {"probes": probes, "many_start_s": took_s, "many_peak_mb": peak_mb}


def _home(folder: Path, *boxes: str) -> Path:
    folder.mkdir()
    (folder / "lab.yaml").write_text(texts.lab_text(*boxes), encoding="utf-8")
    return folder


def _start(home: Path, port: int) -> tuple[float, float]:
    """Seconds until it is connected, and the most memory it had by then, in MB."""
    watch = Watch(home, {"MQTT__PORT": port}, anew=True)
    began_s = time.perf_counter()
    watch.start(patience_s=300)
    took_s = time.perf_counter() - began_s
    peak_mb = resident_mb(watch.pid, "VmHWM")
    watch.stop()
    return round(took_s, 1), peak_mb
