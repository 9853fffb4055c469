"""The collector's sign of life: one small file of fixed size, rewritten in place; and what it says of the collector.

`status` must be able to say "the journal cannot be written" exactly when the journal cannot be written, so this does
not go through the journal. Rewriting a page that exists works on a full disk.
"""

import json
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

import msgspec

from collector.config.written_files import read_text

_SIZE = 4096
_TEXT_KEPT = 200
_UP, _STOPPED = "up", "stopped"
"""How the file says that the link is up, and that the collector ended in order."""
STALE_MS = 150_000
"""`watch` rewrites the file every minute; older than this it is not running."""


class SignalTally(msgspec.Struct, frozen=True, kw_only=True):
    """How one sign of life to the outside fares."""

    by: str
    """'url' or 'topic'."""
    last_ms: int | None
    """When it last got through; None: never."""
    failures: int
    """Since then."""
    error: str
    """What went wrong last; empty: nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchState:
    """What a sign of life says."""

    alive_ms: int
    stopped: bool = False
    """It ended in order; this was its last word."""
    link_trouble: str = ""
    """Why there is no link to the broker, for people; empty: the link is up."""
    backlog: int = 0
    """Messages received and not yet committed."""
    stalled: str = ""
    """Why the journal cannot be written; empty when it can."""
    heartbeat: tuple[SignalTally, ...] = ()
    """Of each way that is set up."""

    @property
    def link_words(self) -> str:
        """'up', 'stopped', or why the link is down."""
        return _STOPPED if self.stopped else self.link_trouble or _UP


class CollectorState(Enum):
    """How the collector is, as far as can be known from outside."""

    NEVER_RAN = "never ran here"
    STOPPED = "stopped"
    SILENT = "no sign of life for too long"
    STALLED = "running; the journal cannot be written"
    WITHOUT_BROKER = "running without the broker"
    RUNNING = "running"

    @property
    def runs(self) -> bool:
        """Whether there is somebody to take up a request."""
        return self in (CollectorState.STALLED, CollectorState.WITHOUT_BROKER, CollectorState.RUNNING)


def collector_state(found: WatchState | None, now_ms: int, stale_ms: int = STALE_MS) -> CollectorState:
    """The one place where it is decided whether the collector runs. A sign older than `stale_ms` counts no more."""
    if found is None:
        return CollectorState.NEVER_RAN
    if found.stopped:
        return CollectorState.STOPPED
    if now_ms - found.alive_ms > stale_ms:
        return CollectorState.SILENT
    if found.stalled:
        return CollectorState.STALLED
    return CollectorState.WITHOUT_BROKER if found.link_trouble else CollectorState.RUNNING


class _File(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """What stands in the file; `link` as `WatchState.link_words`."""

    alive_ms: int
    link: str
    backlog: int
    stalled: str = ""
    heartbeat: tuple[SignalTally, ...] = ()


def write_state(path: Path, state: WatchState) -> None:
    """Best effort: a sign of life that cannot be written is not a reason to stop collecting."""
    short = _File(
        alive_ms=state.alive_ms,
        link=state.link_words[:_TEXT_KEPT],
        backlog=state.backlog,
        stalled=state.stalled[:_TEXT_KEPT],
        heartbeat=state.heartbeat,
    )
    data = json.dumps(msgspec.to_builtins(short)).encode()[: _SIZE - 1].ljust(_SIZE - 1) + b"\n"
    try:
        with path.open("r+b" if path.exists() else "wb") as file:
            file.write(data)
    except OSError:
        return


def read_state(path: Path) -> WatchState | None:
    """What the collector last said, or None where it never ran here."""
    try:
        found = msgspec.convert(json.loads(read_text(path, _SIZE, "ascii")), _File)
    except (OSError, ValueError):
        return None
    return WatchState(
        alive_ms=found.alive_ms,
        stopped=found.link == _STOPPED,
        link_trouble="" if found.link in (_UP, _STOPPED) else found.link,
        backlog=found.backlog,
        stalled=found.stalled,
        heartbeat=found.heartbeat,
    )
