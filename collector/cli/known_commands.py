"""Which commands there are. Each is a module that is imported when the command is used."""

import argparse
import os
from collections.abc import Sequence

from collector.cli.parsing import CommandParser, ShowVersion, later
from collector.cli.standard_out import Unsaid, finish

_COMMANDS = (
    ("init", "write a commented lab.yaml and rules/ to start from", "init:add"),
    ("watch", "run the collector until told to stop", "watch:add"),
    ("board", "serve the page that the links in messages lead to", "board:add"),
    (
        "demo",
        "run broker, simulator, collector and a mail catcher in one go; nothing needs to be installed",
        "demo:add",
    ),
    ("checkup", "try every part against the real thing, say what to fix", "checkup:add"),
    (
        "status",
        "show readings held, last heard per probe, backlog, alarms standing, outbox; "
        "it ends with 1 where the collector has run and does not run now",
        "status:add",
    ),
    ("probes", "see what probes say, give unknown ones a place, calibrate, take out of service", "probes:add"),
    ("rules", "check and show the alarm rules in force", "rules:add"),
    ("alarms", "see alarms, acknowledge or shelve them, read their history", "alarms:add"),
    ("diary", "note what was done at the bins, see it, strike out a slip", "diary:add"),
    ("brew", "note the start and the end of a brew, see how long its window still is", "brew:add"),
    (
        "ahead",
        "say what each tray will come to until somebody is back, and how much water carries it through",
        "ahead:add",
    ),
    ("digest", "print what the digest of the morning would say now, or have it sent", "digest:add"),
    ("export", "write stored readings as csv, senml or lines (line protocol)", "export:add"),
    ("backup", "copy the journal to a file while the collector runs", "copies:add_backup"),
    ("restore", "put a backup in place of the journal; the replaced one is kept beside it", "copies:add_restore"),
    ("downgrade", "take the journal back to the form of an older program, before installing that one", "downgrade:add"),
    ("uplink", "the database of a district that this lab's data goes to", "uplink:add"),
)
"""(name, what it does, the module under `commands` and its function that adds the arguments)."""


_FOR_ANYBODY = ("export",)
"""Commands whose files are for whoever they were asked for; all others write what holds keys, for its owner alone."""


def _parser() -> CommandParser:
    """Knows the commands; each loads its own part when it is used."""
    parser = CommandParser(
        prog="traywarden",
        description="Watches worm bins and tea brews through the night and tells the teacher what to do.",
        epilog="Each command explains itself: traywarden COMMAND --help",
    )
    parser.add_argument("--version", action=ShowVersion, nargs=0, help="show the version")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, about, filled_by in _COMMANDS:
        later(commands, name, about, f"collector.cli.commands.{filled_by}")
    return parser


def build_parser() -> argparse.ArgumentParser:
    """The whole of it, with the arguments of every command."""
    parser = _parser()
    parser.fill_all()
    return parser


def run(arguments: Sequence[str] | None) -> int:
    """Run one command; returns the exit code. What it said has been written, or it is told that it could not be."""
    try:
        try:
            return _run(arguments)
        finally:
            finish()
    except Unsaid as lost:
        from collector.cli.output import complain

        complain(str(lost))
    except BrokenPipeError:
        pass  # the reader of our output has left
    return 1


def _run(arguments: Sequence[str] | None) -> int:
    parsed = _parser().parse_args(arguments)
    from collector.cli.output import complain
    from collector.domain.problems import Refused, Wrong
    from collector.store.errors import StoreError

    given = os.umask(0o077)  # journal, outbox and lab.yaml hold links that are keys, and addresses of people
    if parsed.command in _FOR_ANYBODY:
        os.umask(given)
    try:
        return int(parsed.run(parsed))
    except Refused as refused:
        for problem in refused.problems:
            complain(str(problem))
    except (Wrong, StoreError) as error:
        complain(str(error))
    finally:
        os.umask(given)
    return 1
