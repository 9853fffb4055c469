"""Every scenario over several seeds through the whole chain, scored: what was told in time, late, not at all, and for
nothing.

By itself a few seeds of the short scenarios; with --whole every scenario over SEEDS and, apart from them, over seeds
that no rule was ever tuned on.
"""

import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from sim_sensors.scenarios import load, names
from tests.bench.playing import DAY_MS, play
from tests.bench.scoring import Score, score, together

SEEDS = range(1, 9)
ASIDE = range(101, 109)
"""Looked at only to report; rules were tuned on SEEDS alone."""
_SHORT_MS = 22 * DAY_MS
_LEFT_OUT = ("school-demo",)
"""Stories for people to watch, at a pace of their own."""


def measure(whole: bool) -> dict[str, float | int | str | None]:
    tuned: dict[str, Score] = {}
    aside: dict[str, Score] = {}
    for name in (name for name in names() if name not in _LEFT_OUT):
        long = load(name).length_ms > _SHORT_MS
        if whole:
            tuned[name] = _score(name, SEEDS[:2] if long else SEEDS)
            aside[name] = _score(name, ASIDE[:2] if long else ASIDE)
        elif not long:
            tuned[name] = _score(name, SEEDS[:1])
        sys.stderr.write(".")
        sys.stderr.flush()
    _table("scenarios", tuned)
    if aside:
        _table("seeds kept aside", aside)
    return _figures(tuned, "") | (_figures(aside, "aside_") if aside else {})


def _score(name: str, seeds: Sequence[int]) -> Score:
    scores = []
    for seed in seeds:
        with tempfile.TemporaryDirectory(prefix="traywarden-score-") as folder:
            scores.append(score(play(load(name), seed, Path(folder))))
    return together(scores)


def _figures(found: dict[str, Score], prefix: str) -> dict[str, float | int | str | None]:
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
