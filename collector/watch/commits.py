"""One batch after another: what was received and not yet stored, when it is written, and the wait where it cannot.

One batch is one transaction; then, and only then, its messages are acknowledged. While the journal cannot be written
nothing is, and the broker keeps what it sent.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass

from collector.domain.backoff import Backoff
from collector.pipeline.pipeline import Pipeline
from collector.store.errors import JournalStalled
from collector.store.journal import Journal
from collector.store.vocabulary import EventKind
from collector.watch.alarm_log import AlarmLog
from collector.watch.pacing import Pacer
from collector.watch.surroundings import Surroundings

HOLD_AT = 8_000
"""Messages held while the journal cannot be written; from here on the socket is left unread and TCP holds the rest."""
HOLD_ROWS = 100_000
"""The same for readings, of which one message may carry thousands."""
_RETRY_S = Backoff(first=1.0, longest=30.0, spread=0.3)


@dataclass(slots=True, kw_only=True)
class _Stall:
    """The journal cannot be written at present."""

    reason: str
    since_ms: int
    failures: int = 0
    retry_at_s: float = 0.0


class Commits:
    """Of one run. `acknowledge` takes the ids of messages that are safe."""

    def __init__(
        self, around: Surroundings, journal: Journal, pipeline: Pipeline, acknowledge: Callable[[list[int]], None]
    ) -> None:
        self._journal, self._pipeline, self._acknowledge = journal, pipeline, acknowledge
        self._now, self._steady, self._log = around.now, around.steady, around.log
        self._alarm_log = AlarmLog(self._log)
        self._pacer = Pacer(self._steady())
        self._stall: _Stall | None = None
        self._ids: list[int] = []
        self._since_s = self._steady()
        self.held = 0
        """Messages received and not stored."""

    @property
    def stalled(self) -> str:
        """Why the journal cannot be written; empty where it can."""
        return "" if self._stall is None else self._stall.reason

    @property
    def full(self) -> bool:
        """Whether no more should be read before something is stored."""
        return self.held >= HOLD_AT or len(self._pipeline.batch.rows) >= HOLD_ROWS

    @property
    def waiting(self) -> bool:
        """Whether there is anything to store."""
        return self.held > 0 or not self._pipeline.batch.empty

    def took(self, packet_id: int) -> None:
        """A message was received; `packet_id` 0 needs no acknowledgement."""
        if not self.held:
            self._since_s = self._steady()
        self.held += 1
        if packet_id:
            self._ids.append(packet_id)

    def forget_ids(self) -> None:
        """The connection is gone: what was not acknowledged comes again, and an id from before the break may soon mean
        another message."""
        self._ids.clear()

    def wait_s(self) -> float:
        """Seconds until a commit is due; endless where there is nothing to store."""
        if not self.waiting:
            return float("inf")
        if self._stall is not None:
            return max(0.0, self._stall.retry_at_s - self._steady())
        return self._pacer.wait_s(self._steady(), self._since_s, self.held, self._pipeline.urgent)

    def commit(self) -> int | None:
        """Store what there is; returns how many messages that were, or None where the journal could not be written."""
        try:
            self._journal.commit(self._pipeline.batch, self._now())
        except JournalStalled as error:
            self._stalls(str(error))
            return None
        self._alarm_log.write(self._pipeline.batch.transitions, self._now())
        self._acknowledge(self._ids)
        stored, self._ids, self.held = self.held, [], 0
        self._log.debug(f"committed: {stored} messages, {len(self._pipeline.batch.rows)} readings")
        self._pipeline.start_batch()
        self._since_s = self._steady()
        self._pacer.committed(self._since_s)
        if self._stall is not None:
            self._recovers(self._stall)
        return stored

    def _stalls(self, reason: str) -> None:
        if self._stall is None:
            self._log.error(
                f"journal cannot be written: {reason}; nothing is acknowledged until it can, the broker keeps it"
            )
            self._stall = _Stall(reason=reason, since_ms=self._now())
        stall = self._stall
        stall.reason = reason
        stall.retry_at_s = self._steady() + _RETRY_S.wait(stall.failures, random.random())  # noqa: S311  spread
        stall.failures += 1

    def _recovers(self, stall: _Stall) -> None:
        self._stall = None
        self._log("journal can be written again; nothing was lost")
        self._pipeline.batch.events.append((stall.since_ms, EventKind.JOURNAL_STALLED, stall.reason))
        self._pipeline.batch.events.append((self._now(), EventKind.JOURNAL_RECOVERED, ""))
