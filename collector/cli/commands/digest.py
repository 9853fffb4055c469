"""`traywarden digest`: what the digest of a school morning would say now."""

import argparse

from collector.cli.asking import NOT_RUNNING, ask
from collector.cli.common import home_of
from collector.cli.output import complain, say
from collector.cli.parsing import takes
from collector.config.clock import system_now
from collector.config.home import Home
from collector.domain.lab import Person
from collector.store.requests import DigestNow
from collector.store.watch_state import collector_state, read_state

_EVERYBODY = Person(role="everybody")
"""Who hears of all places."""


def add(parser: argparse.ArgumentParser) -> None:
    takes(parser, "traywarden digest --now", run)
    parser.add_argument(
        "--now",
        action="store_true",
        help="have the running collector send it to those who get the digest; the one of the morning comes all the "
        "same. Printed where no collector runs",
    )


def run(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    if not (arguments.now and collector_state(read_state(home.sign_of_life), system_now()).runs):
        say(_text(home, system_now()))
        return 0
    reply = ask(home, DigestNow())
    if reply is not None and not reply.done:
        complain(reply.words)
        return 1
    say(NOT_RUNNING if reply is None else reply.words)
    return 0


def _text(home: Home, now_ms: int) -> str:
    """Of all places, for the day before now."""
    from collector.letters.letter import report_letter
    from collector.reports import digest
    from collector.reports.digest_view import digest_view
    from collector.store.reader import Reader

    lab, rules = home.load_lab(), home.load_rules()
    with Reader(home.database) as reader:
        view = digest_view(lab, rules, reader, now_ms - digest.DAY_MS, now_ms)
    letter = report_letter(digest.subject(view, _EVERYBODY), digest.sections(view, _EVERYBODY))
    return letter.body.rstrip("\n")
