"""The command line. Ctrl-C ends it with one line, also while it loads its parts: so nothing more is imported here.

Exit codes: 0 good, 1 something is wrong with what you gave or asked, 2 usage, 130 interrupted. Errors are one line each
on stderr.
"""

import sys
from contextlib import suppress

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Sequence


def main(arguments: "Sequence[str] | None" = None) -> int:
    """Run one command; returns the exit code."""
    try:
        from collector.cli.known_commands import run

        return run(arguments)
    except KeyboardInterrupt:
        return _interrupted()


def _interrupted() -> int:
    with suppress(OSError, AttributeError):  # else nobody is left to tell
        sys.stderr.write("interrupted\n")
    return 130


if __name__ == "__main__":
    sys.exit(main())
