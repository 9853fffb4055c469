"""What several commands share: the parser of one command, its home, the lab's time zone."""

import argparse
import os
from collections.abc import Callable
from typing import Any

from collector.app.home import Home, find_home
from collector.domain.lab import Lab
from collector.domain.problems import Refused

Run = Callable[[argparse.Namespace], int]


def command(
    commands: Any,
    name: str,
    about: str,
    example: str,
    run: Run | None = None,
    *,
    listing: bool = False,
) -> argparse.ArgumentParser:
    """A parser with `--home`, `--json` where it lists something, and an example below its help."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=about,
        description=about[:1].upper() + about[1:] + ".",
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--home", metavar="DIR", help="home folder (default: $TRAYWARDEN_HOME, else ~/traywarden)")
    if listing:
        parser.add_argument("--json", action="store_true", help="print JSON instead of a table")
    if run is not None:
        parser.set_defaults(run=run)
    return parser


def group(commands: Any, name: str, about: str) -> Any:
    """A command that has commands of its own (`probes list`)."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name, help=about, description=about[:1].upper() + about[1:] + "."
    )
    return parser.add_subparsers(dest=f"{name}_command", metavar="COMMAND", required=True)


def home_of(arguments: argparse.Namespace) -> Home:
    return find_home(arguments.home, os.environ)


def lab_or_none(home: Home) -> Lab | None:
    """The lab, or None where lab.yaml cannot be used: listings of what is stored must work all the same."""
    try:
        return home.load_lab()
    except Refused:
        return None
