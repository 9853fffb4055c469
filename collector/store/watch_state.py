"""The collector's sign of life: one small file of fixed size, rewritten in place.

`status` must be able to say "the journal cannot be written" exactly when the journal cannot be written, so this does
not go through the journal. Rewriting a page that exists works on a full disk.
"""

import json
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from collector.config.written_files import read_text

_SIZE = 4096
STALE_MS = 150_000
"""`watch` rewrites the file every minute; older than this it is not running."""


@dataclass(frozen=True, slots=True)
class WatchState:
    alive_ms: int
    link: str
    """'up', or why not, for people."""
    backlog: int
    """Messages received and not yet committed."""
    stalled: str = ""
    """Why the journal cannot be written; empty when it can."""
    heartbeat: list[dict[str, Any]] = field(default_factory=list)
    """How each sign of life fares, where any is set up: by, last_ms, failures, error."""


def write_state(path: Path, state: WatchState) -> None:
    """Best effort: a sign of life that cannot be written is not a reason to stop collecting."""
    short = replace(state, link=state.link[:200], stalled=state.stalled[:200])
    data = json.dumps(asdict(short)).encode("ascii", "replace")[: _SIZE - 1].ljust(_SIZE - 1) + b"\n"
    try:
        with path.open("r+b" if path.exists() else "wb") as file:
            file.write(data)
    except OSError:
        return


def read_state(path: Path) -> WatchState | None:
    """What the collector last said, or None where it never ran here."""
    try:
        return WatchState(**json.loads(read_text(path, _SIZE, "ascii")))
    except (OSError, ValueError, TypeError):
        return None
