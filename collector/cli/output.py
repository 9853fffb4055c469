"""How the command line speaks: plain tables, JSON where asked, one line an error, a progress bar for long work."""

import json
import sys
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any, TextIO, overload

from collector.cli.standard_out import StandardOut
from collector.domain.words import UNSAFE, harmless


def say(text: str = "") -> None:
    """One line to standard output; nothing in it acts on a terminal. Raises Unsaid where it cannot be written."""
    StandardOut().write(f"{harmless(text)}\n")


def say_lines(text: str) -> None:
    """Lines that we have set ourselves."""
    for line in text.split("\n"):
        say(line)


def complain(text: str) -> None:
    """One line to standard error; where that cannot be written there is nobody left to tell."""
    with suppress(OSError, AttributeError):  # closed, it is None
        sys.stderr.write(f"{harmless(text)}\n")
        sys.stderr.flush()


def say_json(value: Any) -> None:
    """One line of JSON: every script as it is, but for what acts on a terminal."""
    text = json.dumps(value, ensure_ascii=False)
    say(UNSAFE.sub(lambda found: f"\\u{ord(found[0]):04x}", text))


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Columns wide enough for what is in them; nothing drawn. What acts on a terminal is written out."""
    cells = [[harmless(str(cell)) for cell in row] for row in (head, *rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(head))]
    for row in cells:
        say("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


@overload
def iso(t_ms: int) -> str: ...
@overload
def iso(t_ms: None) -> None: ...
def iso(t_ms: int | None) -> str | None:
    """ISO 8601 in UTC to the second, for programs."""
    if t_ms is None:
        return None
    return datetime.fromtimestamp(t_ms // 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def progress_bar(label: str, stream: TextIO | None = None) -> Callable[[int, int], None]:
    """A function (done, total) that draws a bar on a terminal and stays silent elsewhere."""
    out = sys.stderr if stream is None else stream
    if not out.isatty():
        return lambda done, total: None
    last = -1

    def draw(done: int, total: int) -> None:
        nonlocal last
        share = 100 if total <= 0 else min(100, done * 100 // total)
        if share == last:
            return
        last = share
        out.write(f"\r{label} {'=' * (share // 4):<25} {share:3d} %{chr(10) if share == 100 else ''}")
        out.flush()

    return draw
