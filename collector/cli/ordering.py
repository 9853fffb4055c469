"""What the commands that order something of alarms share: who orders it and why, and handing it to the collector."""

import argparse

from collector.cli.asking import NOT_RUNNING, ask
from collector.cli.common import home_of
from collector.cli.output import complain, say, say_json
from collector.domain.problems import wrong
from collector.store.requests import AlarmOrder, kind_of


def add_by(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--by", required=True, metavar="WHO", help="a role or a group, never a pupil's name")


def add_reason(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--reason", required=True, help="why, for whoever asks later")


def add_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")


def reason_of(arguments: argparse.Namespace) -> str:
    reason = str(arguments.reason).strip()
    if not reason or not reason.isprintable() or len(reason) > 200:
        wrong("--reason: one line of plain text, 200 letters at most, such as 'window being repaired'")
    return reason


def by_of(arguments: argparse.Namespace) -> str:
    by = str(arguments.by).strip()
    if not by or not by.isprintable() or len(by) > 60:
        wrong("--by: a role or a group in plain letters, 60 at most, such as 'class 4b'")
    return by


def order(arguments: argparse.Namespace, wanted: AlarmOrder) -> int:
    """Have the collector do something; 0 where it did or will."""
    reply = ask(home_of(arguments), wanted)
    if reply is not None and not reply.done:
        complain(reply.words)
        return 1
    words = NOT_RUNNING if reply is None else reply.words
    if arguments.json:
        say_json({"order": kind_of(wanted), "done": reply is not None, "answer": words})
    else:
        say(words)
    return 0
