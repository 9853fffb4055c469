"""Where the log of a long-running command goes: stderr, as whoever keeps it wants it.

The journal of systemd stamps each line itself and reads its priority from a prefix (`<3>` to `<7>`, sd-daemon(3)).
JOURNAL_STREAM names the device and inode of the stream that leads there (systemd.exec(5)). Everywhere else a line
begins with its time in UTC, and with its level where that is not plain information.
"""

import argparse
import os
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime

from collector.cli.output import complain
from collector.config.clock import Now, system_now
from collector.config.log import Level, Log


def add_loudness(parser: argparse.ArgumentParser) -> None:
    """`--debug` and `--quiet`."""
    loudness = parser.add_mutually_exclusive_group()
    loudness.add_argument("--debug", action="store_true", help="log every step")
    loudness.add_argument("--quiet", action="store_true", help="log nothing but warnings and errors")


def log_of(arguments: argparse.Namespace, environ: Mapping[str, str] = os.environ, now: Now = system_now) -> Log:
    """The log of this command, as its options and its stderr ask."""
    most = Level.DEBUG if arguments.debug else Level.WARNING if arguments.quiet else Level.INFO
    journal = leads_to_journal(environ, 2)

    def write(level: Level, text: str) -> None:
        if level <= most:
            line = " ".join(text.splitlines())
            with suppress(OSError):  # a log on a full disk, or whose reader has left, must not end the collecting
                complain(f"<{level:d}>{line}" if journal else f"{_stamp(now())} {_word(level)}{line}")

    return Log(write)


def leads_to_journal(environ: Mapping[str, str], descriptor: int) -> bool:
    """Whether this stream is the one the service manager keeps; it may have been turned elsewhere since."""
    try:
        found = os.fstat(descriptor)
    except OSError:
        return False
    return environ.get("JOURNAL_STREAM") == f"{found.st_dev}:{found.st_ino}"


def _word(level: Level) -> str:
    return "" if level is Level.INFO else f"{level.name.lower()}: "


def _stamp(now_ms: int) -> str:
    return datetime.fromtimestamp(now_ms / 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
