"""The lab the benches run in: two bins of three trays, a probe box in each tray that sends three measures."""

import time
from collections.abc import Sequence
from pathlib import Path

from collector.config.lab_file import read_lab
from collector.domain.lab import series_keys
from collector.store.batch import Batch
from collector.store.journal import Journal
from tests.worlds import texts
from tests.worlds.texts import LAB_NAME as LAB_NAME
from tests.worlds.texts import MOISTURE, TEMPERATURE, probe_text

TRAYS = tuple(f"{name}/{tray}" for name in ("juniper", "maple") for tray in ("top", "middle", "bottom"))
BATTERY = "battery: {name: battery, measure: battery, unit: V}"


def lab_text(people: Sequence[str] = ("teacher",)) -> str:
    """lab.yaml with one probe a tray; each sends SenML with its tray's name as base name."""
    boxes = (probe_text(tray, TEMPERATURE, MOISTURE, BATTERY, more="every: 1 min") for tray in TRAYS)
    return texts.lab_text(*boxes, people=people)


def make_home(folder: Path, people: Sequence[str] = ("teacher",)) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "lab.yaml").write_text(lab_text(people=people), encoding="utf-8")
    return folder


def pack(tray: str, t_s: float, temperature: float, moisture: float, battery: float = 3.9) -> str:
    """A SenML pack of three records, as the probe boxes send it."""
    name = f"urn:dev:mac:{tray.replace('/', '')}:"
    return (
        f'[{{"bn":"{name}","bt":{t_s:.3f},"n":"temperature","u":"Cel","v":{temperature}}},'
        f'{{"n":"moisture","u":"/","v":{moisture}}},{{"n":"battery","u":"V","v":{battery}}}]'
    )


def fill(home: Path, days: int, every_s: int = 60) -> int:
    """A past of one reading of each series every so often, ending that long ago; how many readings that is."""
    now_ms = int(time.time()) * 1000
    lab = read_lab((home / "lab.yaml").read_text(encoding="utf-8"))
    first_ms = now_ms - days * 86_400_000
    with Journal(home / "traywarden.db", lab.time_zone, now_ms) as journal:
        ids = [journal.series_id(key, "", "", "", now_ms) for key in series_keys(lab)]
        steps = days * 86_400 // every_s
        for begin in range(0, steps, 1_440):
            batch = Batch()
            for step in range(begin, min(begin + 1_440, steps)):
                t_ms = first_ms + step * every_s * 1_000
                batch.rows.extend((t_ms, number, 3.5 + step % 7 / 16, 1, 3.5, 0) for number in ids)
            journal.commit(batch, now_ms)
            journal.tidy(now_ms)
    return steps * len(ids)
