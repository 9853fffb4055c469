"""How the command line speaks: plain tables, JSON where asked, one line an error, a progress bar for long work."""

import json
import sys
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from typing import Any, TextIO
from zoneinfo import ZoneInfo

_CLEAN = {code: None for code in (*range(32), *range(127, 160))}


def say(text: str = "") -> None:
    """One line to standard output."""
    sys.stdout.write(f"{text}\n")


def complain(text: str) -> None:
    """One line to standard error."""
    sys.stderr.write(f"{text}\n")
    sys.stderr.flush()


def say_json(value: Any) -> None:
    say(json.dumps(value, ensure_ascii=False))


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Columns wide enough for what is in them; nothing drawn. Control characters of outside names are dropped."""
    cells = [[str(cell).translate(_CLEAN) for cell in row] for row in (head, *rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(head))]
    for row in cells:
        say("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


def iso(t_ms: int | None) -> str | None:
    """ISO 8601 in UTC to the second."""
    if t_ms is None:
        return None
    return datetime.fromtimestamp(t_ms // 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def local(t_ms: int | None, zone: str) -> str:
    """Local time of the lab for people: '2026-03-02 08:00'."""
    if t_ms is None:
        return "never"
    return datetime.fromtimestamp(t_ms / 1000, ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M")


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
