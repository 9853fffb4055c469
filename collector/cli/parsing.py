"""Parsers of commands that are filled when they are used, so that no command loads what only another needs."""

import argparse
from collections.abc import Callable
from importlib import import_module
from typing import Any

from collector import __version__
from collector.cli.standard_out import StandardOut

Run = Callable[[argparse.Namespace], int]


class CommandParser(argparse.ArgumentParser):
    """`filled_by` names the function that adds the arguments, as 'module:function'; it is imported and called with this
    parser when something is first parsed here, help included."""

    def __init__(self, *, filled_by: str = "", **options: Any) -> None:
        super().__init__(**options)
        self._filled_by = filled_by
        self._below: Any = None

    def add_subparsers(self, **options: Any) -> Any:
        self._below = super().add_subparsers(**options)
        return self._below

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        self._fill()
        return super().parse_known_args(args, namespace)

    def print_help(self, file: Any = None) -> None:
        """To standard output, where it must not get lost without a word."""
        (StandardOut() if file is None else file).write(self.format_help())

    def fill_all(self) -> None:
        """Add the arguments of this command and of all below it."""
        self._fill()
        for below in self._below.choices.values() if self._below is not None else ():
            below.fill_all()

    def _fill(self) -> None:
        if self._filled_by:
            module, _, function = self._filled_by.partition(":")
            self._filled_by = ""
            getattr(import_module(module), function)(self)


class ShowVersion(argparse.Action):
    """`--version`: the program, its version, and no more."""

    def __call__(self, parser: argparse.ArgumentParser, *_arguments: Any) -> None:
        StandardOut().write(f"{parser.prog} {__version__}\n")
        parser.exit()


def later(commands: Any, name: str, about: str, filled_by: str) -> None:
    """A command whose arguments are added when it is used."""
    commands.add_parser(name, help=about, description=_sentence(about), filled_by=filled_by)


def takes(parser: argparse.ArgumentParser, example: str, run: Run, *, listing: bool = False) -> None:
    """`--home`, `--json` where the command lists something, and an example below its help."""
    parser.epilog = f"example:\n  {example}"
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--home", metavar="DIR", help="home folder (default: $TRAYWARDEN_HOME, else ~/traywarden)")
    if listing:
        parser.add_argument("--json", action="store_true", help="print JSON instead of a table")
    parser.set_defaults(run=run)


def command(
    commands: Any, name: str, about: str, example: str, run: Run, *, listing: bool = False
) -> argparse.ArgumentParser:
    """A command of a group, with what every command takes."""
    parser: argparse.ArgumentParser = commands.add_parser(name, help=about, description=_sentence(about))
    takes(parser, example, run, listing=listing)
    return parser


def group(parser: argparse.ArgumentParser) -> Any:
    """Makes a command one that has commands of its own (`probes list`)."""
    name = parser.prog.rpartition(" ")[2]
    return parser.add_subparsers(dest=f"{name}_command", metavar="COMMAND", required=True)


def _sentence(about: str) -> str:
    return about[:1].upper() + about[1:] + "."
