"""`traywarden ahead`: what each tray will come to until somebody is back, and what to do before leaving."""

import argparse
import math
from collections.abc import Callable, Sequence
from typing import Any

from collector.alarms.model import STANDING, Rule
from collector.cli.common import home_of, when_ms
from collector.cli.local import local_of
from collector.cli.noting import HANDS
from collector.cli.output import iso, say, say_json
from collector.cli.parsing import takes
from collector.config.clock import system_now
from collector.domain.lab import Lab
from collector.domain.problems import wrong
from collector.domain.units import parse_duration_ms
from collector.husbandry.ahead import TrayAhead
from collector.husbandry.watering import Deed
from collector.letters.ahead_words import ahead_line
from collector.reports.ahead_view import back_at_ms, trays_ahead
from collector.store.reader import Reader


def add(parser: argparse.ArgumentParser) -> None:
    takes(
        parser,
        "traywarden ahead\n  traywarden ahead --until '2026-03-09 07:00'\n  traywarden ahead --for '60 h'",
        run,
        listing=True,
    )
    end = parser.add_mutually_exclusive_group()
    end.add_argument("--until", metavar="TIME", help="until then, instead of the first school day after the next break")
    end.add_argument("--for", dest="span", metavar="DURATION", help="for so long from now: '60 h', '3 d'")


def run(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    lab, rules, now_ms = home.load_lab(), home.load_rules(), system_now()
    until_ms = _until_ms(arguments, lab, now_ms)
    with Reader(home.database) as reader:
        diary = [entry for entry in reader.diary() if entry.struck_ms is None]
        found = trays_ahead(lab, rules, reader, diary, now_ms, until_ms, _stands(reader, rules))
    if arguments.json:
        say_json({"until": iso(until_ms), "trays": [_as_json(tray) for tray in found]})
        return 0
    local = local_of(lab)
    say(f"until {local.timed(until_ms)}")
    for tray in found:
        say(f"{tray.place}: {ahead_line(tray, local.time, local.us)}")
    say(HANDS if found else "no tray has a moisture probe with readings")
    return 0


def _stands(reader: Reader, rules: Sequence[Rule]) -> list[tuple[Rule, str]]:
    by_name, places = {rule.name: rule for rule in rules}, {series.id: series.place for series in reader.series()}
    held = (alarm.state for alarm in reader.alarms())
    return [
        (by_name[state.key.rule], places[state.key.series])
        for state in held
        if state.state in STANDING and state.key.rule in by_name and state.key.series in places
    ]


def _until_ms(arguments: argparse.Namespace, lab: Lab, now_ms: int) -> int:
    if arguments.span is not None:
        return now_ms + _span_ms(arguments.span)
    until_ms = when_ms(arguments.until, now_ms, lab.time_zone) if arguments.until else back_at_ms(lab, now_ms)
    if until_ms is None:
        wrong("no school day follows in lab.yaml; say until when with --until")
    if until_ms <= now_ms:
        wrong(f"--until {arguments.until} is not in the future")
    return until_ms


def _span_ms(text: str) -> int:
    try:
        span_ms = parse_duration_ms(text)
    except ValueError as error:
        wrong(f"--for {error}")
    if span_ms == 0:
        wrong(f"--for {text}: nothing to foretell; give a time like '60 h'")
    return span_ms


def _litres(tray: TrayAhead, of: Callable[[Deed], float]) -> float | None:
    return round(of(tray.deed), 1) if tray.deed is not None and tray.deed.total_l else None


def _as_json(tray: TrayAhead) -> dict[str, Any]:
    return {
        "at": tray.place,
        "moisture": None if math.isnan(tray.level) else round(tray.level, 1),
        "then": None if tray.at_end is None else round(tray.at_end.about, 1),
        "then_lowest": None if tray.at_end is None else round(tray.at_end.low, 1),
        "then_highest": None if tray.at_end is None else round(tray.at_end.high, 1),
        "dry_limit": None if tray.dry is None else tray.dry.limit,
        "dry_from": None if tray.dry is None else iso(tray.dry.early_ms),
        "dry_about": None if tray.dry is None or tray.dry.about_ms is None else iso(tray.dry.about_ms),
        "dry_by": None if tray.dry is None or tray.dry.late_ms is None else iso(tray.dry.late_ms),
        "leave_at": None if tray.leave_at is None else round(tray.leave_at, 1),
        "advice": None if tray.deed is None else tray.deed.verdict.value,
        "water_today_l": _litres(tray, lambda deed: deed.today_l),
        "water_l": _litres(tray, lambda deed: deed.total_l),
        "look_again": tray.deed is not None and tray.deed.look_again,
        "enough": tray.enough,
        "seen_until": None if tray.seen_until_ms is None else iso(tray.seen_until_ms),
        "assumed": [assumed.value for assumed in tray.assumed],
        "why_not": tray.why_not,
    }
