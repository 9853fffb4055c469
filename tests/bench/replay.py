"""How fast stored readings are judged anew: a year of 24 one-minute series through quality checks and shipped rules.

The time counted is all that `rules replay` does: reading from the journal, calibrating, checking, judging. One process,
one thread. Filling the journal beforehand is not counted.
"""

import os
import tempfile
import time
from pathlib import Path

import numpy as np

from collector.config.home import Home
from collector.domain.lab import series_keys
from collector.domain.units import MEASURES
from collector.pipeline.replay import replay
from collector.store.batch import Batch
from collector.store.journal import Journal
from collector.store.reader import Reader
from tests.bench.lab import TRAYS, lab_text

_START_MS = 1_735_689_600_000
"""2025-01-01T00:00Z"""
_DAY = 1_440
_MORE = """\
  room-air:
    place: room
    topic: worms/room
    format: senml
    channels:
      temperature: {name: temperature, measure: air_temperature, unit: Cel, model: sht3x}
      humidity: {name: humidity, measure: air_humidity, unit: "%RH", model: sht3x}
  kettle-tea:
    place: kettle
    topic: worms/kettle
    format: senml
    channels:
      temperature: {name: temperature, measure: tea_temperature, unit: Cel, model: ds18b20}
      oxygen: {name: oxygen, measure: dissolved_oxygen, unit: mg/L, model: oxygen}
      pump: {name: pump, measure: air_pump, unit: on/off}
      battery: {name: battery, measure: battery, unit: V}
"""
_LEVEL = {  # middle of the day, daily swing, noise
    "bedding_temperature": (21.0, 1.5, 0.05),
    "bedding_moisture": (0.76, 0.01, 0.002),
    "battery": (3.9, 0.0, 0.004),
    "air_temperature": (20.5, 2.0, 0.05),
    "air_humidity": (48.0, 6.0, 0.4),
    "tea_temperature": (20.0, 1.0, 0.05),
    "dissolved_oxygen": (8.0, 0.2, 0.03),
    "air_pump": (1.0, 0.0, 0.0),
}


def measure(whole: bool) -> dict[str, float | int]:
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})  # one core
    days = 365 if whole else 30
    with tempfile.TemporaryDirectory() as name:
        home = Home(Path(name))
        head, people = lab_text().split("people:")
        home.lab_file.write_text(head.replace("probes:", "brewers: {kettle: {}}\nprobes:") + _MORE + "people:" + people)
        _fill(home, days)
        lab, rules = home.load_lab(), home.load_rules()
        until_ms = _START_MS + days * 86_400_000
        began = time.perf_counter()
        with Reader(home.database) as reader:
            done = replay(reader, lab, rules, _START_MS, until_ms)
        seconds = time.perf_counter() - began
    return {
        "days": days,
        "series": sum(key.measure in _LEVEL for key in series_keys(lab)),
        "rules": len(rules),
        "readings": done.readings,
        "transitions": len(done.transitions),
        "seconds": round(seconds, 2),
        "readings_per_s": round(done.readings / seconds),
    }


def _fill(home: Home, days: int) -> None:
    """A healthy lab with a daily rhythm; one tray dries out for two days a month, one probe is silent for a day."""
    lab = home.load_lab()
    chance = np.random.default_rng(20_260_302)
    journal = Journal(home.database, lab.time_zone, _START_MS)
    keys = [key for key in series_keys(lab) if key.measure in _LEVEL]
    ids = [journal.series_id(key, MEASURES[key.measure].unit, "", "", _START_MS) for key in keys]
    for day in range(days):
        minutes = day * _DAY + np.arange(_DAY)
        rows: list[tuple[int, int, float | None, int, float | None, int]] = []
        for number, key in zip(ids, keys, strict=True):
            middle, swing, noise = _LEVEL[key.measure]
            raw = middle + swing * np.sin(2 * np.pi * minutes / _DAY) + noise * chance.standard_normal(_DAY)
            if key.place == TRAYS[0] and key.measure == "bedding_moisture" and day % 30 in (10, 11):
                raw -= 0.18
            if key.place == TRAYS[1] and day % 30 == 20:
                continue
            t_ms = _START_MS + minutes * 60_000 + number * 40
            values = np.round(raw, 4).tolist()
            rows += [(t, number, v, 1, v, 0) for t, v in zip(t_ms.tolist(), values, strict=True)]
        rows.sort()
        journal.commit(Batch(rows=rows), _START_MS)
    journal.close()
