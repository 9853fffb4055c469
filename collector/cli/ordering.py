"""What the commands that order something of alarms share: who orders it and why, and handing it to the collector."""

import argparse
from collections.abc import Mapping

from collector.cli.asking import NOT_RUNNING, ask
from collector.cli.common import home_of
from collector.cli.output import complain, say, say_json
from collector.domain.problems import wrong


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


def order(arguments: argparse.Namespace, kind: str, body: Mapping[str, object]) -> int:
    """Have the collector do something; 0 where it did or will."""
    from collector.pipeline.pipeline import ORDERS  # with it comes all that judges readings

    by = str(arguments.by).strip()
    if not by or not by.isprintable() or len(by) > 60:
        wrong("--by: a role or a group in plain letters, 60 at most, such as 'class 4b'")
    answer = ask(home_of(arguments), kind, {**body, "by": by})
    if answer is not None and answer != ORDERS[kind]:
        complain(answer)
        return 1
    if arguments.json:
        say_json({"order": kind, "done": answer is not None, "answer": NOT_RUNNING if answer is None else answer})
    else:
        say(NOT_RUNNING if answer is None else answer)
    return 0
