"""The log of the long-running programs: a line for each thing worth knowing, with how much it matters.

Whoever logs is given a `Log`; where its lines go is decided where a program starts. Levels are those of syslog
(RFC 5424, section 6.2.1), so that a service manager can tell "journal cannot be written" from "connected".
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum


class Level(IntEnum):
    """The lower, the more it matters."""

    ERROR = 3
    """Something does not work, and somebody must mend it."""
    WARNING = 4
    """Something went wrong that mends itself, or is the business of people at the bins."""
    INFO = 6
    """What a maintainer wants to read of a good day."""
    DEBUG = 7
    """Every step, for finding out why."""


@dataclass(frozen=True, slots=True)
class Log:
    """`log(text)` is for information; `write(level, text)` gets lines without their time."""

    write: Callable[[Level, str], None]

    def __call__(self, text: str) -> None:
        self.write(Level.INFO, text)

    def error(self, text: str) -> None:
        self.write(Level.ERROR, text)

    def warning(self, text: str) -> None:
        self.write(Level.WARNING, text)

    def debug(self, text: str) -> None:
        self.write(Level.DEBUG, text)


UNHEARD = Log(lambda _level, _text: None)
"""For runs whose log nobody reads."""
