"""Labs drawn at random (`sim_sensors.family`) through the whole chain: harms told in time, and messages for nothing.

By itself some days of a few worlds; with --whole 200 months of labs in which nothing goes wrong and the rough worlds in
which some 500 harms come. Half of the worlds are for tuning, half are only reported. Another --seed, other worlds.

    python -m tests.bench.worlds calm 8             the first so many calm worlds for tuning, each needless message
    python -m tests.bench.worlds rough 8            ... rough ones, each harm told late or not at all
"""

import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from statistics import fmean, median
from typing import Any

from sim_sensors import truth
from sim_sensors.family import Sort, drawn, sort
from tests.bench.playing import DAY_MS, MIN_MS, play
from tests.bench.worlds_scoring import Outcome, outcome
from tests.bench.worlds_spans import Foresight, judged

CALM, ROUGH = 100, 70
"""Worlds of each half at full length."""
_SHORT_CALM, _SHORT_ROUGH, _SHORT_DAYS = 2, 1, 5
_TURN_MS, _ROUGH_TURN_MS, _BREW_TURN_MS = 15 * MIN_MS, 10 * MIN_MS, 3 * MIN_MS
"""How often the pipeline turns: what is told waits for it."""
_SHM = Path("/dev/shm")
_OF_A_SEED = 10_000
_TOP = 12
Job = tuple[int, int]
"""World, days (0: all)."""


def measure(whole: bool, seed: int = 0) -> dict[str, Any]:
    calm, rough, days = (CALM, ROUGH, 0) if whole else (_SHORT_CALM, _SHORT_ROUGH, _SHORT_DAYS)
    tuned = [*numbers(seed, Sort.CALM, calm), *numbers(seed, Sort.ROUGH, rough)]
    aside = (
        [*numbers(seed, Sort.CALM, calm, aside=True), *numbers(seed, Sort.ROUGH, rough, aside=True)] if whole else []
    )
    found = played([*tuned, *aside], days)
    mine, others = found[: len(tuned)], found[len(tuned) :]
    table("worlds for tuning", mine)
    figures = summary(mine, "")
    if others:
        table("worlds kept aside", others)
        figures |= summary(others, "aside_")
    return figures | {"lab_months_per_core_min": _pace(found)}


def numbers(seed: int, wanted: Sort, count: int, aside: bool = False) -> list[int]:
    """The first so many worlds of a sort and a half."""
    first = seed * _OF_A_SEED + (2 if wanted is Sort.ROUGH else 0) + aside
    return list(range(first, first + 4 * count, 4))


def played(worlds: Sequence[int], calm_days: int = 0, rough_days: int = 0) -> list[Outcome]:
    """In order; two at once where there are two cores. Days: of each world of that sort only the first (0: all)."""
    jobs = [(number, calm_days if sort(number) is Sort.CALM else rough_days) for number in worlds]
    with ProcessPoolExecutor() as pool:
        return list(pool.map(_one, jobs))


def _one(job: Job) -> Outcome:
    number, days = job
    scenario, calm = drawn(number), sort(number) is Sort.CALM
    if days:
        scenario = replace(scenario, length_ms=days * DAY_MS)
    began, foresight = time.process_time(), Foresight()
    with tempfile.TemporaryDirectory(prefix="traywarden-world-", dir=_SHM if _SHM.is_dir() else None) as folder:
        turn_ms = _TURN_MS if calm else _ROUGH_TURN_MS
        got = play(scenario, number, Path(folder), turn_ms=turn_ms, brew_turn_ms=_BREW_TURN_MS, morning=foresight.ask)
    return outcome(scenario, got, calm, judged(got, foresight.found), time.process_time() - began)


def summary(found: Sequence[Outcome], prefix: str) -> dict[str, Any]:
    verdicts = [verdict for one in found for verdict in one.verdicts]
    in_time, missed = sum(v.in_time for v in verdicts), sum(v.told_ms is None for v in verdicts)
    calm = [one for one in found if one.calm]
    spans = [span for one in found for span in one.spans]
    moisture = [span for span in spans if span.kind == "moisture 60 h"]
    leads = [v.lead_h for v in verdicts if v.lead_h is not None]
    figures = {
        "harms": len(verdicts),
        "in_time": in_time,
        "late": len(verdicts) - in_time - missed,
        "missed": missed,
        "needless_per_lab_month": round(_needless(calm), 3),
        "needless_rough_per_lab_month": round(_needless([one for one in found if not one.calm]), 3),
        "lab_months": round(_months(calm), 1),
        "messages_per_lab_month": round(sum(one.messages for one in calm) / max(_months(calm), 1e-9), 2),
        "most_a_day": max((one.most_a_day for one in found), default=0),
        "median_lead_h": round(median(leads), 1) if leads else None,
        "span_held": round(fmean(span.held for span in spans), 3) if spans else None,
        "spans": len(spans),
        "moisture_error": round(fmean(s.off for s in moisture), 3) if moisture else None,
        "moisture_error_no_change": round(fmean(s.off_no_change for s in moisture), 3) if moisture else None,
        "water_advised": sum(one.advised for one in found),
        "water_unsafe": sum(one.unsafe for one in found),
    }
    return {f"{prefix}{key}": value for key, value in figures.items()}


def _months(found: Iterable[Outcome]) -> float:
    return sum(one.days for one in found) / 30


def _needless(found: Sequence[Outcome]) -> float:
    return sum(len(one.needless) for one in found) / _months(found) if found else 0.0


def _pace(found: Sequence[Outcome]) -> float:
    return round(_months(found) / (sum(one.cpu_s for one in found) / 60), 2)


def table(title: str, found: Sequence[Outcome]) -> None:
    """Harms by kind, needless messages by the alarm they name first and by what was the matter, spans by kind."""
    say = sys.stderr.write
    calm, rough = [one for one in found if one.calm], [one for one in found if not one.calm]
    say(f"\n{title}: {len(calm)} calm, {len(rough)} rough\n")
    say(f"{'harm':<18}{'all':>6}{'in time':>9}{'late':>6}{'missed':>8}\n")
    verdicts = [verdict for one in found for verdict in one.verdicts]
    for what in sorted({v.episode.what for v in verdicts}):
        mine = [v for v in verdicts if v.episode.what == what]
        in_time, missed = sum(v.in_time for v in mine), sum(v.told_ms is None for v in mine)
        say(f"{what:<18}{len(mine):>6}{in_time:>9}{len(mine) - in_time - missed:>6}{missed:>8}\n")
    for name, some in (("calm", calm), ("rough", rough)):
        say(
            f"needless in {name} worlds: {_needless(some):.2f} a lab-month, by the alarm first named and circumstance\n"
        )
        counts = Counter((told.rule, told.event, why) for one in some for told, why in one.needless)
        for (rule, event, why), count in counts.most_common(_TOP):
            say(f"  {rule:<24}{event:<12}{why:<16}{count:>6}{count / _months(some):>9.2f} a lab-month\n")
    spans = [span for one in found for span in one.spans]
    for kind in sorted({span.kind for span in spans}):
        held = [span.held for span in spans if span.kind == kind]
        say(f"span of {kind:<24}{len(held):>6} said, {100 * fmean(held):.0f} % held\n")


def _detail(found: Iterable[Outcome]) -> None:
    for one in found:
        print(f"{one.name}: {len(one.needless)} needless of {one.messages}, {one.cpu_s:.0f} s")
        for told, why in one.needless:
            print(
                f"  {truth.iso(told.t_ms)[:16]} {told.rule} {told.event} {told.why} at {told.place} {told.probe}: {why}"
            )
        for verdict in one.verdicts:
            if not verdict.in_time:
                harm, told_ms = verdict.episode, verdict.told_ms
                said = "missed" if told_ms is None else f"told {truth.iso(told_ms)[:16]}"
                by = truth.iso(harm.know_by_ms)[:16]
                print(f"  {harm.what} at {harm.place} from {truth.iso(harm.begin_ms)[:16]}, by {by}: {said}")


if __name__ == "__main__":
    wanted, count = Sort(sys.argv[1]), int(sys.argv[2])
    outcomes = played(numbers(int(sys.argv[3]) if len(sys.argv) > 3 else 0, wanted, count))
    _detail(outcomes)
    table("worlds for tuning", outcomes)
