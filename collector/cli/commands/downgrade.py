"""`traywarden downgrade`: take the journal back to the form of an older program."""

import argparse

from collector.cli.common import home_of
from collector.cli.output import say
from collector.cli.parsing import takes
from collector.config.clock import system_now
from collector.store.repair.downgrade import downgrade


def add(parser: argparse.ArgumentParser) -> None:
    takes(parser, "traywarden downgrade --to 5", run)
    parser.add_argument("--to", type=int, required=True, metavar="FORM", help="the form the older program knows")


def run(arguments: argparse.Namespace) -> int:
    path = home_of(arguments).database
    done = downgrade(path, arguments.to, system_now())
    if done.kept is None:
        say(f"{path} is in form {arguments.to} already; nothing to do")
        return 0
    say(f"{path}: from form {done.before} to {arguments.to}, with every reading")
    for what, count in done.lost:
        say(f"left out, for the older form cannot hold them: {count} {what}")
    say(f"the journal as it was is kept as {done.kept}")
    return 0
