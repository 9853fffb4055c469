"""What a day writes to the disk at 24 single readings a minute, evenly spread: the worst case for small commits.

The collector's own pipeline, pacing and journal run on a clock of their own, so that a day takes seconds; the bytes are
those the kernel counts for this process (`write_bytes` of /proc/self/io), the file system's own journal not included.
In real time the kernel also writes the mapped index of the WAL every 30 s; a day that takes seconds would hide that, so
it is flushed here every 30 s of the day. Baseline in the same run: one commit a reading.
"""

import os
import tempfile
from pathlib import Path

from collector.alarms.model import Rule
from collector.config.home import Home
from collector.domain.lab import Lab
from collector.intake.inbox import IncomingMessage
from collector.pipeline.building import build_pipeline
from collector.pipeline.notices import Outlet
from collector.pipeline.pipeline import Pipeline
from collector.store.journal import Journal
from collector.store.watch_state import WatchState, write_state
from collector.watch.pacing import Pacer
from collector.watch.upkeep import STATE_EVERY_S, TIDY_EVERY_S
from tests.bench.lab import TRAYS, make_home

_START_MS = 1_772_438_400_000
_A_MINUTE = 24
_STEP_S = 60 / _A_MINUTE
_WRITEBACK_S = 30
"""Linux's dirty_expire_centisecs by default."""
_CHANNELS = (("temperature", "Cel", 21.5, 1 / 16), ("moisture", "/", 0.76, 0.001), ("battery", "V", 3.9, 0.001))


def measure(whole: bool) -> dict[str, float | int]:
    hours = 24 if whole else 6
    with tempfile.TemporaryDirectory(dir=_on_disk()) as name:
        paced, commits = _run(make_home(Path(name) / "paced"), hours, paced=True)
        plain, _ = _run(make_home(Path(name) / "plain"), 1, paced=False)
    return {
        "hours": hours,
        "readings": hours * 60 * _A_MINUTE,
        "commits": commits,
        "mb_per_day": round(paced * 24 / hours / 1e6, 1),
        "mb_per_day_one_commit_each": round(plain * 24 / 1e6, 1),
    }


def _on_disk() -> Path:
    """A folder on a disk: in memory nothing is written."""
    return Path(__file__).resolve().parents[2]


def _run(folder: Path, hours: int, *, paced: bool) -> tuple[int, int]:
    home = Home(folder)
    lab, rules = home.load_lab(), home.load_rules()
    journal = Journal(home.database, lab.time_zone, _START_MS)
    before = _written()
    commits = _collect(home, lab, rules, journal, hours, paced=paced)
    journal.close()
    return _written() - before, commits


def _collect(home: Home, lab: Lab, rules: tuple[Rule, ...], journal: Journal, hours: int, *, paced: bool) -> int:
    """As the daemon's loop does, with each wait skipped."""
    pipeline = build_pipeline(lab, rules, journal, Outlet(), _START_MS)
    pacer, commits, held, since_s = Pacer(0.0), 0, 0, 0.0
    for number in range(hours * 60 * _A_MINUTE):
        now_s = number * _STEP_S
        if held and paced:
            due_s = since_s + pacer.wait_s(since_s, since_s, held, pipeline.urgent)
            if due_s <= now_s:
                _commit(journal, pipeline, pacer, due_s)
                commits, held = commits + 1, 0
        if not held:
            since_s = now_s
        pipeline.intake.accept(_message(number, now_s), _ms(now_s))
        held += 1
        pipeline.settle(_ms(now_s))
        pipeline.tick(_ms(now_s) - 5_000)
        if not paced or pipeline.urgent:
            _commit(journal, pipeline, pacer, now_s)
            commits, held = commits + 1, 0
        _upkeep(home, journal, now_s)
    return commits


def _commit(journal: Journal, pipeline: Pipeline, pacer: Pacer, now_s: float) -> None:
    journal.commit(pipeline.batch, _ms(now_s))
    pipeline.start_batch()
    pacer.committed(now_s)


def _upkeep(home: Home, journal: Journal, now_s: float) -> None:
    if now_s % TIDY_EVERY_S < _STEP_S:
        journal.tidy(_ms(now_s))
    if now_s % STATE_EVERY_S < _STEP_S:
        write_state(home.sign_of_life, WatchState(alive_ms=_ms(now_s)))
    if now_s % _WRITEBACK_S < _STEP_S:
        index = os.open(f"{home.database}-shm", os.O_RDWR)
        os.fsync(index)
        os.close(index)


def _message(number: int, now_s: float) -> IncomingMessage:
    """One record of one of 18 series, healthy and wandering a little."""
    tray = TRAYS[number % len(TRAYS)]
    name, unit, value, step = _CHANNELS[number // len(TRAYS) % len(_CHANNELS)]
    said = value + (number // 18 * 7 % 5 - 2) * step
    text = f'[{{"bn":"urn:dev:mac:1:","n":"{name}","u":"{unit}","v":{said},"t":{_ms(now_s) / 1000}}}]'
    return IncomingMessage(topic=f"worms/{tray}", payload=text.encode())


def _ms(now_s: float) -> int:
    return _START_MS + round(now_s * 1000)


def _written() -> int:
    for line in Path("/proc/self/io").read_text(encoding="ascii").splitlines():
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    raise RuntimeError("/proc/self/io does not say write_bytes on this system")
