"""One way to say what is wrong with a file a person wrote.

Problem     a value: where it is, what it is, what would be right
Refused     an exception that carries all problems of one load; the caller prints them and stops (exit 1)
Wrong       an exception with the one line that says what is wrong with what was asked (exit 1)
"""

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, NoReturn


@dataclass(frozen=True, slots=True, order=True, kw_only=True)
class Problem:
    """One thing wrong, in the form `file:line:column field: message`. Lines and columns count from 1; line 0 means
    the thing has no lines (an environment variable, an argument)."""

    file: str
    line: int = 0
    column: int = 0
    field: str = ""
    message: str
    severity: Literal["error", "warning"] = "error"

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        mark = "warning: " if self.severity == "warning" else ""
        return f"{place} {self.field}: {mark}{self.message}" if self.field else f"{place} {mark}{self.message}"


class Refused(Exception):
    """Some file or argument cannot be used as it stands; every problem found is in `problems`, in file order."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(sorted(problems))
        super().__init__("\n".join(str(problem) for problem in self.problems))


class Wrong(Exception):
    """Something is wrong with what was given or asked: printed as one line, exit 1."""


def wrong(text: str) -> NoReturn:
    """Stop with one line that says what is wrong."""
    raise Wrong(text)


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word most like `word`, or None where nothing is close enough to be a slip of the keyboard."""
    found = difflib.get_close_matches(word.lower(), list(known), n=1, cutoff=0.6)
    return found[0] if found else None
