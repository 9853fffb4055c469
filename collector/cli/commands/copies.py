"""`traywarden backup` and `traywarden restore`."""

import argparse
from pathlib import Path

from collector.cli.common import home_of
from collector.cli.output import progress_bar, say
from collector.cli.parsing import takes
from collector.config.clock import system_now
from collector.domain.problems import wrong
from collector.store.repair.backup import backup, restore


def add_backup(parser: argparse.ArgumentParser) -> None:
    takes(parser, "traywarden backup /media/stick/traywarden-march.db", run_backup)
    parser.add_argument("target", help="file to write; it must not be there yet")


def add_restore(parser: argparse.ArgumentParser) -> None:
    takes(parser, "traywarden restore /media/stick/traywarden-march.db", run_restore)
    parser.add_argument("source", help="a file made by 'traywarden backup'")


def run_backup(arguments: argparse.Namespace) -> int:
    bar = progress_bar("backup")
    size = backup(home_of(arguments).database, Path(arguments.target), lambda share: bar(round(share * 1000), 1000))
    say(f"written {arguments.target}, {size} bytes, checked")
    return 0


def run_restore(arguments: argparse.Namespace) -> int:
    bar = progress_bar("restore")
    home = home_of(arguments)
    if not home.path.is_dir():
        wrong(f"{home.path}: no such folder; make it with: traywarden init --home {home.path}")
    done = restore(Path(arguments.source), home.database, system_now(), lambda share: bar(round(share * 1000), 1000))
    say(f"restored {home.database} from {arguments.source}")
    if done.replaced is not None:
        say(f"the journal that stood there is kept as {done.replaced}")
    if done.unconfirmed:
        say(f"{done.unconfirmed} messages that waited in the backup are not sent again (they may have gone out since)")
    return 0
