"""What the commands that note something share: times as people say them, and handing a request to the collector."""

import argparse
import re
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from collector.cli.asking import NOT_RUNNING, ask
from collector.cli.common import when_ms
from collector.cli.output import complain, say
from collector.config.clock import system_now
from collector.config.home import Home
from collector.domain.lab import Lab
from collector.domain.problems import Wrong, wrong
from collector.pipeline.diary_book import DiaryBook, book_of
from collector.store.reader import Reader
from collector.store.requests import BookRequest

HANDS = "Wash hands with soap and running water for 20 seconds after touching bins, bedding, leachate or tea."
TEA = "Pour tea, never spray it; whoever has asthma or a weak immune system stays away. Wear gloves over cuts."
_CLOCK = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])")


def add_by(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--by", required=True, metavar="WHO", help="a role or a class, never a pupil's name")


def add_when(
    parser: argparse.ArgumentParser, option: str = "--when", what: str = "when it was done; left out: now"
) -> None:
    parser.add_argument(
        option, metavar="TIME", help=f"{what}. '08:30' (today), '2026-03-02 08:30', or '20 min' (that long ago)"
    )


def add_note(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--note", default="", metavar="TEXT", help="a line to go with it, 300 characters at most")


def past_ms(text: str, now_ms: int, zone: str, option: str = "--when") -> int:
    """'08:30' today, a date with a time, or '20 min' ago, on the lab's clock; never in the future."""
    clock = _CLOCK.fullmatch(text)
    if clock is None:
        found = _written_ms(text, now_ms, zone, option)
        return found if found <= now_ms else wrong(f"{option} '{text}' is still to come")
    today = datetime.fromtimestamp(now_ms / 1000, ZoneInfo(zone))
    moment = today.replace(hour=int(clock[1]), minute=int(clock[2]), second=0, microsecond=0, fold=0)
    found = round(moment.timestamp()) * 1000
    if found > now_ms:
        wrong(f"{option} '{text}' is still to come; for yesterday write '{today - timedelta(days=1):%Y-%m-%d} {text}'")
    return found


def _written_ms(text: str, now_ms: int, zone: str, option: str) -> int:
    try:
        return when_ms(text, now_ms, zone)
    except (Wrong, OverflowError):
        wrong(f"{option} '{text}' is not a time; write '08:30', '2026-03-02 08:30' or '20 min' (that long ago)")


def submit(home: Home, lab: Lab, request: BookRequest, cautions: tuple[str, ...] = ()) -> int:
    """Hand a request to the collector and say what it made of it. What is wrong with it is said before, also where no
    collector runs that could."""
    now_ms = system_now()
    with Reader(home.database) as reader:
        tried = rehearsed(reader, lab, now_ms).take(request, now_ms, now_ms)
    if not tried.reply.done:
        wrong(tried.reply.words)
    reply = ask(home, request)
    if reply is not None and not reply.done:
        complain(reply.words)
        return 1
    say(NOT_RUNNING if reply is None else reply.words)
    for caution in cautions:
        say(caution)
    return 0


def rehearsed(reader: Reader, lab: Lab, now_ms: int) -> DiaryBook:
    """The book as it will be once the collector has taken up what waits."""
    book = book_of(reader, lab)
    book.take_waiting(reader.pending_requests(), now_ms)
    return book
