"""The command line. Each command is a small module under `collector.cli.commands`: `add` its arguments, `run` it.

Exit codes: 0 good, 1 something is wrong with what you gave or asked, 2 usage. Errors are one line each on stderr.
"""

import argparse
import os
import sys
from collections.abc import Sequence
from types import ModuleType

from collector.cli.commands import (
    ahead,
    alarms,
    board,
    brew,
    checkup,
    copies,
    demo,
    diary,
    downgrade,
    export,
    init,
    probes,
    rules,
    status,
    uplink,
    watch,
)
from collector.cli.output import complain
from collector.domain.problems import Refused, Wrong
from collector.store.errors import StoreError

_COMMANDS: tuple[ModuleType, ...] = (
    init,
    watch,
    board,
    demo,
    checkup,
    status,
    probes,
    rules,
    alarms,
    diary,
    brew,
    ahead,
    export,
    copies,
    downgrade,
    uplink,
)
"""Each offers `add(commands)`, which adds its parser with help and an example."""


def build_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="traywarden",
        description="Watches worm bins and tea brews through the night and tells the teacher what to do.",
        epilog="Each command explains itself: traywarden COMMAND --help",
    )
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for command in _COMMANDS:
        command.add(commands)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    parsed = build_parser().parse_args(arguments)
    try:
        return int(parsed.run(parsed))
    except Refused as refused:
        for problem in refused.problems:
            complain(str(problem))
    except (Wrong, StoreError) as error:
        complain(str(error))
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # the reader of our output has left
    return 1


if __name__ == "__main__":
    sys.exit(main())
