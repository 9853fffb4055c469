"""Follows the journal and sends what is new, in order, for as long as the collector runs.

A thread of its own with its own connection: while the other end is away the collector goes on as ever, and the gap is
filled afterwards from the journal. A portion is marked as sent only after it was taken whole; what is cut off in
between is sent again, which changes nothing at the other end.
"""

import random
import threading
from collections.abc import Callable, Sequence

from collector.config.log import Log
from collector.domain.backoff import Backoff
from collector.store.errors import StoreError
from collector.store.line_protocol import LabTags
from collector.uplink.points import lines_of
from collector.uplink.queue import UplinkStore
from collector.uplink.writer import Later, NeverTaken, TooLarge, Writer

PORTION = 2_000
"""Readings in one write: about 30 kB compressed."""
_BREATH_S = 0.05
"""Between portions while catching up, so that the collector's thread is never kept waiting."""
_RETRY_S = Backoff(first=5.0, longest=300.0, spread=0.3)
_PROOF = 8
"""So many lines refused by themselves, and none taken, are no accident."""


class Follower:
    """`now` gives the time in ms; `log` gets a line when something begins or ends to stand in the way."""

    def __init__(
        self,
        store: UplinkStore,
        writer: Writer,
        origin: LabTags,
        now: Callable[[], int],
        log: Log,
        every_s: float = 60.0,
    ) -> None:
        """`every_s`: readings wait so long to go together, since each portion costs the journal a page of flash."""
        self._every_s = every_s
        self._store = store
        self._writer = writer
        self._origin = origin
        self._now = now
        self._log = log
        self._trouble = ""
        self._failures = 0
        self._noted = True
        """Something stands in the journal's note, or may: an earlier run may have left it."""

    def run(self, stop: threading.Event) -> None:
        """Until `stop`."""
        while not stop.is_set():
            stop.wait(self.turn())

    def turn(self) -> float:
        """Send one portion; returns the seconds to wait before the next."""
        try:
            sent = self.send_one()
        except Later as later:
            return self._stands(str(later), later.after_s)
        except StoreError as error:
            return self._stands(str(error), None)
        self._clear()
        return _BREATH_S if sent else self._every_s

    def send_one(self) -> bool:
        """Whether there was something to send. Raises Later with nothing marked as sent."""
        portion = self._store.take(self._now(), PORTION)
        if portion.empty:
            return False
        lines = lines_of(portion, self._store.series(), self._origin)
        refused = deliver(self._writer, lines, self._now())
        if self._store.done(portion, refused, self._now()) and refused:
            self._log.warning(f"uplink: {len(refused)} lines set aside: {refused[0][0]}")
        return True

    def _stands(self, reason: str, after_s: float | None) -> float:
        if reason != self._trouble:
            self._log.warning(f"uplink waits: {reason}")
            self._note(reason)
        self._trouble = reason
        wait_s = _RETRY_S.wait(self._failures, random.random()) if after_s is None else after_s  # noqa: S311  spread
        self._failures += 1
        return wait_s

    def _clear(self) -> None:
        self._failures = 0
        if self._trouble:
            self._log("uplink goes on")
        if self._noted:
            self._note("")
        self._trouble = ""

    def _note(self, text: str) -> None:
        self._noted = bool(text)
        try:
            self._store.note(text)
        except StoreError as error:
            self._log.warning(f"uplink: {error}")


def deliver(writer: Writer, lines: Sequence[str], now_ms: int) -> list[tuple[str, str]]:
    """Send lines in as few writes as the other end allows; returns (reason, line) of those it will never take.

    Raises Later where it takes none at all: a proxy or a wrong setting, and no fault of the lines. A line is given up
    only beside others that were taken."""
    attempt = _Attempt(writer, now_ms)
    if lines:
        attempt.send(lines, lines)
    if attempt.refused and not attempt.taken:
        raise Later(f"all of it is refused: {attempt.refused[0][0]}")
    return attempt.refused


class _Attempt:
    """One portion on its way, halved where it is refused."""

    def __init__(self, writer: Writer, now_ms: int) -> None:
        self._writer, self._now_ms = writer, now_ms
        self.taken = False
        self.refused: list[tuple[str, str]] = []

    def send(self, lines: Sequence[str], whole: Sequence[str]) -> None:
        """`whole`: the portion, of which `lines` are a part."""
        reason = self._write(lines)
        if not reason:
            return
        if len(lines) == 1:
            self.refused.append((reason, lines[0]))
            if len(self.refused) == _PROOF and not self.taken:
                self._ask_all_over(whole, reason)
            return
        middle = len(lines) // 2
        self.send(lines[:middle], whole)
        self.send(lines[middle:], whole)

    def _ask_all_over(self, whole: Sequence[str], reason: str) -> None:
        """The first lines are refused: some from all over the portion say whether the others are too."""
        for line in whole[:: max(1, len(whole) // _PROOF)]:
            if not self._write([line]):
                return
        raise Later(f"all of it is refused: {reason}")

    def _write(self, lines: Sequence[str]) -> str:
        """Why they were not taken; empty where they were."""
        try:
            self._writer.write(lines, self._now_ms)
        except (TooLarge, NeverTaken) as refused:
            return str(refused)
        self.taken = True
        return ""
