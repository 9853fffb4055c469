"""Every scenario over several seeds through the whole chain, scored: what was told in time, late, not at all, and for
nothing.

By itself a few seeds of the short scenarios; with --whole every scenario over SEEDS and, apart from them, over seeds
that no rule was ever tuned on.

    python -m tests.bench.scenarios NAME SEED MESSAGES.jsonl    what people were told in one story, to plot
"""

import json
import sys
import tempfile
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from sim_sensors import truth
from sim_sensors.scenarios import load, names
from tests.bench.playing import DAY_MS, play
from tests.bench.scoring import Score, score, together

SEEDS = range(1, 5)
ASIDE = range(101, 105)
"""Looked at only to report; rules were tuned on SEEDS alone."""
_SHORT_MS, _LONG_MS = 8 * DAY_MS, 60 * DAY_MS
_LONG_SEEDS = 1
"""So many of a scenario that takes minutes."""
_SHM = Path("/dev/shm")
_LEFT_OUT = ("school-demo",)
"""Stories for people to watch, at a pace of their own."""


Job = tuple[str, int]
"""Scenario and seed."""


def measure(whole: bool) -> dict[str, Any]:
    lengths = {name: load(name).length_ms for name in names() if name not in _LEFT_OUT}
    if not whole:
        lengths = {name: ms for name, ms in lengths.items() if ms <= _SHORT_MS}
    tuned = [(name, seed) for name, ms in lengths.items() for seed in _seeds(SEEDS, ms, whole)]
    aside = [(name, seed) for name, ms in lengths.items() for seed in _seeds(ASIDE, ms, whole)] if whole else []
    with ProcessPoolExecutor() as pool:
        scores = dict(zip([*tuned, *aside], pool.map(_one, [*tuned, *aside]), strict=True))
    both = [_by_name(tuned, scores)] + ([_by_name(aside, scores)] if aside else [])
    for title, found in zip(("scenarios", "seeds kept aside"), both, strict=False):
        _table(title, found)
    figures = _figures(both[0], "")
    return figures | _figures(both[1], "aside_") if aside else figures


def _seeds(seeds: Sequence[int], length_ms: int, whole: bool) -> Sequence[int]:
    if not whole:
        return seeds[:1]
    return seeds[:_LONG_SEEDS] if length_ms > _LONG_MS else seeds


def _one(job: Job) -> Score:
    name, seed = job
    with tempfile.TemporaryDirectory(prefix="traywarden-score-", dir=_SHM if _SHM.is_dir() else None) as folder:
        return score(play(load(name), seed, Path(folder)))


def _by_name(jobs: Sequence[Job], scores: Mapping[Job, Score]) -> dict[str, Score]:
    names_in_order = dict.fromkeys(name for name, _ in jobs)
    return {name: together(scores[job] for job in jobs if job[0] == name) for name in names_in_order}


def _figures(found: dict[str, Score], prefix: str) -> dict[str, Any]:
    every = together(found.values())
    calm = [one for one in found.values() if not one.harms]
    quiet = together(calm) if calm else every
    return {
        f"{prefix}harms": every.harms,
        f"{prefix}in_time": every.in_time,
        f"{prefix}late": every.late,
        f"{prefix}missed": every.missed,
        f"{prefix}needless_per_lab_month": round(quiet.needless_per_month, 3),
        f"{prefix}median_lead_h": every.median_lead_h,
        f"{prefix}water_off_pct": every.water_off_pct,
        f"{prefix}lab_months": round(every.days / 30, 1),
        f"{prefix}each": {name: _scored(one) for name, one in found.items()},
    }


def _scored(one: Score) -> dict[str, float | int | None]:
    return {
        "harms": one.harms,
        "in_time": one.in_time,
        "needless_per_month": round(one.needless_per_month, 2),
        "median_lead_h": None if one.median_lead_h is None else round(one.median_lead_h, 1),
    }


def _table(title: str, found: dict[str, Score]) -> None:
    sys.stderr.write(f"\n{title}\n")
    head = ("", "harms", "in time", "late", "missed", "needless/month", "median lead h", "water off %")
    rows = [head, *(_row(name, one) for name, one in found.items())]
    for row in rows:
        sys.stderr.write(f"{row[0]:<22}" + "".join(f"{cell:>15}" for cell in row[1:]) + "\n")


def _row(name: str, one: Score) -> tuple[str, ...]:
    lead, off = one.median_lead_h, one.water_off_pct
    return (
        name,
        *(str(number) for number in (one.harms, one.in_time, one.late, one.missed)),
        f"{one.needless_per_month:.2f}",
        "-" if lead is None else f"{lead:.1f}",
        "-" if off is None else f"{off:.0f}",
    )


def _write_messages(name: str, seed: int, path: Path) -> None:
    """Each message once, at the place of its worst alarm."""
    with tempfile.TemporaryDirectory(prefix="traywarden-score-") as folder:
        told = play(load(name), seed, Path(folder)).told
    first = {(one.t_ms, one.role): one for one in reversed(told) if one.why != "digest"}
    with path.open("w", encoding="utf-8") as out:
        for one in sorted(first.values(), key=lambda one: one.t_ms):
            out.write(json.dumps({"time": truth.iso(one.t_ms), "place": one.place, "subject": one.subject}) + "\n")


if __name__ == "__main__":
    _write_messages(sys.argv[1], int(sys.argv[2]), Path(sys.argv[3]))
