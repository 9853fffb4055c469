"""What several commands share: the home, the lab's time zone, times as people write them."""

import argparse
import os
from contextlib import suppress
from datetime import datetime
from zoneinfo import ZoneInfo

from collector.config.home import Home, find_home
from collector.domain.lab import Lab
from collector.domain.problems import Refused, wrong
from collector.domain.units import parse_duration_ms


def home_of(arguments: argparse.Namespace) -> Home:
    return find_home(arguments.home, os.environ)


def lab_or_none(home: Home) -> Lab | None:
    """The lab, or None where lab.yaml cannot be used: listings of what is stored must work all the same."""
    try:
        return home.load_lab()
    except Refused:
        return None


def when_ms(text: str, now_ms: int, zone: str) -> int:
    """'2026-03-02', '2026-03-02 08:00', '2026-03-02T08:00Z' (lab time where no zone is given), or '3 d' ago, in ms."""
    with suppress(ValueError):
        return now_ms - parse_duration_ms(text)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        wrong(f"'{text}' is not a time; write '2026-03-02', '2026-03-02T08:00Z' or '3 d' (that long ago)")
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(zone))
    return round(moment.timestamp() * 1000)


def add_span(parser: argparse.ArgumentParser) -> None:
    """`--since` and `--until`."""
    parser.add_argument("--since", metavar="TIME", help="from here on: a date, a time, or '3 d' (that long ago)")
    parser.add_argument("--until", metavar="TIME", help="before this")


def span_ms(arguments: argparse.Namespace, now_ms: int, zone: str) -> tuple[int | None, int | None]:
    since = when_ms(arguments.since, now_ms, zone) if arguments.since else None
    until = when_ms(arguments.until, now_ms, zone) if arguments.until else None
    if since is not None and until is not None and since >= until:
        wrong(f"--since {arguments.since} is not before --until {arguments.until}")
    return since, until


def zone_of(home: Home) -> str:
    lab = lab_or_none(home)
    return lab.time_zone if lab is not None else "UTC"
