"""Standard output that may fail: on a full disk, closed, or with a reader who has left.

Unsaid            what a command says could not be written; `main` tells so in one line, exit 1
BrokenPipeError   the reader has left, which nobody needs to be told
"""

import os
import sys
from io import TextIOBase


class Unsaid(Exception):
    """One line for people: why."""


class StandardOut(TextIOBase):
    """Writes to what is standard output at that moment. Text that its encoding has no letters for is written out
    ('\\u2013')."""

    def write(self, text: str) -> int:
        out = sys.stdout
        if out is None:
            raise Unsaid("standard output is closed")
        try:
            return out.write(text)
        except UnicodeEncodeError:
            known = out.encoding
            return out.write(text.encode(known, "backslashreplace").decode(known))
        except BrokenPipeError:
            raise
        except OSError as error:
            raise _unsaid(error) from None


def finish() -> None:
    """What was said has left this process. Raises Unsaid or BrokenPipeError where it has not; what is left of it is
    dropped then, or Python would try again at its end."""
    if sys.stdout is None:
        return
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        drop()
        raise
    except OSError as error:
        drop()
        raise _unsaid(error) from None


def drop() -> None:
    """Whatever is still to be written goes nowhere."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)


def _unsaid(error: OSError) -> Unsaid:
    return Unsaid(f"standard output cannot be written: {error.strerror}")
