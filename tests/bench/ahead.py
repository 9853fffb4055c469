"""What `ahead` says of trays in labs drawn at random, against what their probes showed later.

Each lab has its own room (warmth, nights, humidity), trays (mass, moisture, lid), probes (15 min) and people (when they
water and feed, and what they note). It is played through the collector's pipeline; from the sixth day on `ahead` is
asked twice a day. Only trays that the truth says nobody touched until then count: that is what it foretells. Beside it
stand two that know no better: no change, and the straight line through the last three days (Theil and Sen). None of the
labs served to choose a constant. The horizons take turns.
"""

import os
import random
import tempfile
from collections.abc import Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from statistics import fmean
from typing import Any, NamedTuple

import numpy as np

from collector.alarms.trend import theil_sen
from collector.config.home import Home
from collector.husbandry.ahead import TrayAhead
from collector.reports.ahead_view import trays_ahead
from collector.store.reader import Reader
from sim_sensors.scenario_file import parse
from tests.bench.playing import DAY_MS, HOUR_MS, START_MS, Played, play

AHEAD_H = (12, 24, 60)
FEW, MANY = 1, 12
SHORT_D, LONG_D = 16, 28
_FIRST_D = 6
_FIRST_SEED = 7_001
"""Seeds of this bench alone."""


class Asked(NamedTuple):
    """One outlook of one tray and how it came out, % wet basis."""

    hours: int
    about: float
    low: float
    high: float
    now: float
    line: float
    later: float


class Job(NamedTuple):
    seed: int
    days: int


def measure(whole: bool) -> Mapping[str, Any]:
    jobs = [Job(_FIRST_SEED + n, LONG_D if whole else SHORT_D) for n in range(MANY if whole else FEW)]
    asked: list[Asked] = []
    unsaid = 0
    with ProcessPoolExecutor(min(len(jobs), os.cpu_count() or 1)) as pool:
        for found, silent in pool.map(_lab, jobs):
            asked += found
            unsaid += silent
    return {
        "labs": len(jobs),
        "unsaid": round(unsaid / (unsaid + len(asked)), 3),
        **_scored(asked),
        "each": {f"{hours} h": _scored([one for one in asked if one.hours == hours]) for hours in AHEAD_H},
    }


def _scored(asked: list[Asked]) -> dict[str, float]:
    return {
        "outlooks": len(asked),
        "span_held": round(fmean(one.low <= one.later <= one.high for one in asked), 3),
        "half_width": round(fmean((one.high - one.low) / 2 for one in asked), 2),
        "error": round(fmean(abs(one.about - one.later) for one in asked), 3),
        "error_no_change": round(fmean(abs(one.now - one.later) for one in asked), 3),
        "error_line": round(fmean(abs(one.line - one.later) for one in asked), 3),
    }


def _lab(job: Job) -> tuple[list[Asked], int]:
    """What was said of one lab's trays, and how often nothing was."""
    with tempfile.TemporaryDirectory() as folder:
        played = play(parse(_scenario(job), "lab", f"lab {job.seed}"), job.seed, Path(folder), START_MS)
        found = list(_outlooks(Home(Path(folder)), _touched(played), job.days))
    return [one for one in found if one is not None], found.count(None)


def _outlooks(home: Home, touched: Mapping[str, list[int]], days: int) -> Iterator[Asked | None]:
    lab, rules = home.load_lab(), home.load_rules()
    with Reader(home.database) as reader:
        diary, hourly = list(reader.diary()), _hourly(reader, days)
        for half_day in range(2 * _FIRST_D, 2 * days):
            now_ms = START_MS + half_day * DAY_MS // 2 + 3 * HOUR_MS
            hours = AHEAD_H[half_day % len(AHEAD_H)]
            end_ms = now_ms + hours * HOUR_MS
            known = [entry for entry in diary if entry.t_ms <= now_ms]
            for one in trays_ahead(lab, rules, reader, known, now_ms, end_ms):
                later = hourly.get((one.place, end_ms))
                meanwhile = touched.get(one.place.split("/")[0], ())
                if later is not None and not any(now_ms - HOUR_MS < t <= end_ms for t in meanwhile):
                    yield _asked(one, hours, hourly, now_ms, later)


def _asked(
    one: TrayAhead, hours: int, hourly: Mapping[tuple[str, int], float], now_ms: int, later: float
) -> Asked | None:
    if one.at_end is None:
        return None
    past = [(-n / 24, hourly.get((one.place, now_ms - n * HOUR_MS))) for n in range(72, 0, -1)]
    known = [(x, y) for x, y in past if y is not None]
    trend = theil_sen(np.array([x for x, _ in known]), np.array([y for _, y in known]))
    line = trend.at(hours / 24)
    return Asked(hours, one.at_end.about, one.at_end.low, one.at_end.high, one.level, line, later)


def _hourly(reader: Reader, days: int) -> dict[tuple[str, int], float]:
    places = {one.id: one.place for one in reader.series() if one.measure == "bedding_moisture"}
    return {
        (places[row.series], int(row.start)): row.mean
        for row in reader.hourly(START_MS, START_MS + days * DAY_MS)
        if row.series in places and row.mean is not None
    }


def _touched(played: Played) -> dict[str, list[int]]:
    """When somebody poured or fed, by bin: what is poured into a tray may drip into the next."""
    found: dict[str, list[int]] = {}
    for fact in played.facts:
        if fact.kind == "care":
            found.setdefault(fact.place.split("/")[0], []).append(fact.t_ms)
    return found


def _scenario(job: Job) -> str:
    draw = random.Random(f"ahead {job.seed}")  # noqa: S311 - reproducible chance
    return "\n".join(_lines(draw, job.days))


def _lines(draw: random.Random, days: int) -> Iterator[str]:
    day_c = draw.uniform(17, 26)
    yield "title: a lab drawn at random"
    yield f"length: {days} d\nevery: 15 min\nstep: 5 min\nstates: 1 d"
    yield (
        f"room: {{day: {day_c:.1f} degC, night: {day_c - draw.uniform(0, 6):.1f} degC,"
        f" humidity: {draw.uniform(25, 70):.0f} %RH, opens: 7.5 h, closes: 16 h,"
        f" outside: {draw.uniform(-5, 18):.0f} degC, season: {draw.uniform(0, 12):.0f} degC}}"
    )
    places: list[str] = []
    routine: list[str] = []
    for bin_name in ("juniper", "maple"):
        yield f"{'bins:' if not places else ''}\n  {bin_name}:\n    trays:"
        for tray in ("top", "bottom"):
            wet_kg, moisture = draw.uniform(3, 12), draw.uniform(72, 84)
            yield (
                f"      {tray}: {{wet_mass: {wet_kg:.1f} kg, moisture: {moisture:.1f} %, temperature: {day_c - 1:.1f}"
                f" degC, lid: {draw.choice([0.08, 0.15, 0.3, 0.6]):.2f}}}"
            )
            places.append(f"{bin_name}/{tray}")
            dry = draw.uniform(68, 76)
            feed = draw.choice(["mon wed fri", "tue", "mon thu"])
            routine.append(
                f"  - {{place: {bin_name}/{tray}, at: {draw.uniform(8, 14):.1f} h, dry_below: {dry:.1f} %,"
                f" water_to: {dry + draw.uniform(3, 9):.1f} %, feed: {draw.uniform(30, 200):.0f} g, feed_on: {feed}}}"
            )
    yield "routine:"
    yield from routine
