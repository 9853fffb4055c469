"""Whether the broker forgot us: then nothing waited there for us, and what was published meanwhile may be lost.

A session that began anew is in the broker's memory alone until its next save. `ask_to_save` leaves word of it in the
home folder: whoever may make the broker save watches that file.
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from collector.intake.session import LinkNews, LinkState
from collector.store.vocabulary import LINK_IS_DOWN, MetaKey
from collector.store.watch_state import WatchState


def linked_until_ms(meta: Mapping[str, str], state: WatchState | None) -> int | None:
    """When an earlier run was last known to be linked; None: none ever was, so the broker cannot know us yet."""
    changed = meta.get(MetaKey.LINK_MS, "")
    if not changed.isdigit():
        return None
    if meta.get(MetaKey.LINK) == LINK_IS_DOWN or state is None:
        return int(changed)
    return max(int(changed), state.alive_ms)  # killed while linked: until its last sign of life at least


def ask_to_save(at: Path, now_ms: int) -> str:
    """Say in the file `at` that a session began now; what hindered that, empty where nothing did."""
    try:
        at.write_text(f"{_utc(now_ms)}\n", encoding="ascii")
    except OSError as error:
        return f"{at}: {error.strerror}; a kill of the broker before its next save makes it forget us"
    return ""


class Forgotten:
    """Hears all that changes about the link of one run."""

    def __init__(self, linked_until_ms: int | None) -> None:
        self._until_ms = linked_until_ms
        self._up = False

    def heard(self, news: LinkNews, now_ms: int) -> str:
        """What to tell where the broker forgot us; empty where it did not."""
        up, was_up, until_ms = news.link is LinkState.UP, self._up, self._until_ms
        self._up = up
        if up or was_up:
            self._until_ms = now_ms
        if not up or news.kept or until_ms is None:
            return ""
        return f"the broker had forgotten us: what was published after {_utc(until_ms)} may be lost"


def _utc(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms // 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
