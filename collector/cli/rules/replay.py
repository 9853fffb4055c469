"""`traywarden rules replay`: what people would have been told, by the rules in force or by others."""

import argparse
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any

from collector.alarms.differences import Change, Difference, Occurrence, compare, occurrences
from collector.alarms.model import AlarmKey, Rule
from collector.alarms.words import show_amount
from collector.cli.common import add_span, home_of, span_ms
from collector.cli.local import Local, local_of
from collector.cli.output import iso, progress_bar, say, say_json, table
from collector.cli.parsing import takes
from collector.config.clock import system_now
from collector.config.home import Home
from collector.domain.lab import Lab, Series
from collector.domain.problems import wrong
from collector.domain.units import MEASURES, show_duration
from collector.pipeline.packs import recorded
from collector.pipeline.replay import Replayed, replay
from collector.store.reader import Reader


def add(parser: argparse.ArgumentParser) -> None:
    takes(
        parser,
        "traywarden rules replay --since '30 d' --rules trial/\n  traywarden rules replay --packs packs.jsonl",
        run,
        listing=True,
    )
    add_span(parser)
    parser.add_argument("--packs", metavar="FILE", help="messages of a file instead of what is stored")
    parser.add_argument("--rules", metavar="DIR", help="try the rule files of this folder against those in force")


def run(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    lab = home.load_lab()
    other, local = _other(home, arguments.rules), local_of(lab)
    with _source(home, lab, arguments.packs) as source, Reader(source.database) as reader:
        held = reader.span()
        if held is None:
            wrong(f"{arguments.packs or home.database}: no readings for this lab, nothing to replay")
        since, until = span_ms(arguments, system_now(), lab.time_zone)
        stretch = (held[0] if since is None else max(since, held[0]), held[1] + 1 if until is None else until)
        if stretch[0] >= stretch[1]:
            wrong(f"no readings in that stretch; held are {local.time(held[0])} to {local.timed(held[1])}")
        now = _replay(reader, lab, home, stretch, "rules in force")
        then = None if other is None else _replay(reader, lab, other, stretch, f"rules of {arguments.rules}")
    if then is None:
        _show_told(now, home.load_rules(), local, as_json=arguments.json)
    else:
        _show_differences(now, then, local, as_json=arguments.json)
    return 0


def _source(home: Home, lab: Lab, packs: str | None) -> AbstractContextManager[Home]:
    """Where the readings are."""
    return nullcontext(home) if packs is None else recorded(home, lab, Path(packs))


def _other(home: Home, folder: str | None) -> Home | None:
    if folder is None:
        return None
    if not Path(folder).is_dir():
        wrong(f"--rules {folder}: no such folder")
    return replace(home, rules_at=Path(folder))


def _replay(reader: Reader, lab: Lab, home: Home, stretch: tuple[int, int], label: str) -> Replayed:
    bar = progress_bar(label)
    return replay(reader, lab, home.load_rules(), *stretch, lambda share: bar(round(share * 1000), 1000))


def _show_told(done: Replayed, rules: Sequence[Rule], local: Local, *, as_json: bool) -> None:
    found = occurrences(done.transitions)
    if as_json:
        say_json([_occurrence_json(occurrence, done.series) for occurrence in found])
        return
    known = {rule.name: rule for rule in rules}
    rows = [
        [
            local.time(occurrence.raised_ms),
            occurrence.key.rule,
            _place(occurrence.key, done.series),
            "stands" if occurrence.cleared_ms is None else show_duration(occurrence.cleared_ms - occurrence.raised_ms),
            _worst(occurrence, known.get(occurrence.key.rule), done.series, local),
        ]
        for occurrence in found
    ]
    table((local.titled("told"), "alarm", "at", "for", "worst"), rows)
    say()
    say(f"{done.readings} readings, {_days(done)}: {len(found)} alarms, {_a_day(len(found), done)} a day")


def _show_differences(now: Replayed, then: Replayed, local: Local, *, as_json: bool) -> None:
    series = {**now.series, **then.series}
    found = compare(occurrences(now.transitions), occurrences(then.transitions))
    if as_json:
        say_json([_difference_json(difference, series) for difference in found])
        return
    rows = [
        [
            local.time(difference.at_ms),
            difference.key.rule,
            _place(difference.key, series),
            difference.change,
            show_duration(abs(difference.shift_ms)) if difference.shift_ms else "",
        ]
        for difference in found
        if difference.change is not Change.SAME
    ]
    if rows:
        table((local.titled("told"), "alarm", "at", "change", "by"), rows)
        say()
    table(("alarm", "in force", "tried", "appear", "disappear", "earlier", "later"), _sums(found))
    say()
    before, after = (sum(getattr(difference, side) is not None for difference in found) for side in ("before", "after"))
    say(f"{now.readings} readings, {_days(now)}: {before} alarms in force ({_a_day(before, now)} a day), {after} tried")


def _sums(found: Iterable[Difference]) -> list[list[object]]:
    """A row an alarm: how often it came in either run, and the median of how much earlier or later it came."""
    changes: dict[str, Counter[Change]] = defaultdict(Counter)
    shifts: dict[tuple[str, Change], list[int]] = defaultdict(list)
    for difference in found:
        changes[difference.key.rule][difference.change] += 1
        shifts[difference.key.rule, difference.change].append(abs(difference.shift_ms))

    def moved(rule: str, change: Change) -> str:
        number = changes[rule][change]
        return f"{number} by {show_duration(round(median(shifts[rule, change])))}" if number else "0"

    return [
        [
            rule,
            counts.total() - counts[Change.APPEARS],
            counts.total() - counts[Change.DISAPPEARS],
            counts[Change.APPEARS],
            counts[Change.DISAPPEARS],
            moved(rule, Change.EARLIER),
            moved(rule, Change.LATER),
        ]
        for rule, counts in sorted(changes.items())
    ]


def _days(done: Replayed) -> str:
    return show_duration(done.until_ms - done.since_ms)


def _a_day(number: int, done: Replayed) -> str:
    return f"{number * 86_400_000 / max(1, done.until_ms - done.since_ms):.2f}"


def _place(key: AlarmKey, series: Mapping[int, Series]) -> str:
    return series[key.series].place if key.series in series else ""


def _worst(occurrence: Occurrence, rule: Rule | None, series: Mapping[int, Series], local: Local) -> str:
    """In the unit of what its kind compares: a difference of temperatures is none on either scale."""
    measure = series[occurrence.key.series].measure if occurrence.key.series in series else ""
    return show_amount(rule, measure, occurrence.worst, local.us) if measure in MEASURES and rule is not None else ""


def _occurrence_json(occurrence: Occurrence, series: Mapping[int, Series]) -> dict[str, Any]:
    return {
        "name": occurrence.key.rule,
        "at": _place(occurrence.key, series),
        "since": iso(occurrence.since_ms),
        "told": iso(occurrence.raised_ms),
        "cleared": iso(occurrence.cleared_ms),
        "worst": occurrence.worst,
    }


def _difference_json(difference: Difference, series: Mapping[int, Series]) -> dict[str, Any]:
    return {
        "name": difference.key.rule,
        "at": _place(difference.key, series),
        "change": str(difference.change),
        "shift_s": difference.shift_ms / 1000,
        "in_force": None if difference.before is None else _occurrence_json(difference.before, series),
        "tried": None if difference.after is None else _occurrence_json(difference.after, series),
    }
