"""Takes messages out of the outbox and hands them to the channels, so that none is lost and none comes twice.

    waiting -> (recipient accepted) -> sending -> (answer 250) -> sent
       ^ \\-> failed                      | \\-> unconfirmed: no answer came, or a crash came between
       \\---------------------------------/ refused for now

A message is marked as sending, durably, just before the step that may deliver it. So whatever is found as sending after
a crash may have arrived, and is never sent again.
"""

import random
import threading
import traceback
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from collector.alarms.model import Priority
from collector.config.log import UNHEARD, Log
from collector.delivery.port import (
    Carrier,
    Outbox,
    OutboxRow,
    PermanentFailure,
    TemporaryFailure,
    Unconfirmed,
    Unreachable,
    Way,
)
from collector.domain.backoff import Backoff
from collector.domain.units import MS, show_duration
from collector.letters.plain import one_line

_CHECK_S = 0.5
"""How often a resting sender looks whether it is time, by a clock that the machine may set."""
_OUTBOX_RETRY_MS = 30 * MS["s"]


_ONCE_MORE_MS = 2 * MS["min"]
"""A server that hangs up after the message mostly does so again at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """How long to go on with a message that does not get through."""

    first_ms: int = 30 * MS["s"]
    longest_ms: int = 30 * MS["min"]
    give_up_ms: int = 3 * MS["d"]
    least_attempts: int = 10
    """Not given up before, however old: a clock that jumps ahead after power-up makes every message look old."""

    def wait_ms(self, attempts: int, jitter: float) -> int:
        """The wait after a failure that `attempts` others came before; `jitter` is drawn evenly from 0 to 1."""
        backoff = Backoff(first=2 * self.first_ms, longest=self.longest_ms, spread=0.5)  # so `first_ms` at least
        return round(backoff.wait(attempts, jitter))

    def over(self, age_ms: int, attempts: int) -> bool:
        """Whether a message of this age is given up after so many tries."""
        return age_ms >= self.give_up_ms and attempts >= self.least_attempts


class Sender:
    """Delivers what is due. `wake` is set by whoever adds messages or sets the stop of `run`; `log` takes one line."""

    def __init__(
        self,
        outbox: Outbox,
        channels: Mapping[str, Carrier],
        now: Callable[[], int],
        wake: threading.Event,
        log: Log = UNHEARD,
        patience: Patience | None = None,
        jitter: Callable[[], float] = random.random,
        chat: bool | None = None,
        on_failed: Callable[[], None] = lambda: None,
    ) -> None:
        """`chat`: hands over only chat messages, or only others. `on_failed` is called after each failure for good."""
        self._outbox = outbox
        self._channels = channels
        self._now = now
        self._wake = wake
        self._log = log
        self._patience = patience or Patience()
        self._jitter = jitter
        self._tries: Counter[int] = Counter()
        self._in_vain: Counter[tuple[str, str]] = Counter()
        self._chat = chat
        self._on_failed = on_failed
        self._unsettled: Callable[[], None] | None = None
        self._trouble = ""

    def run(self, stop: threading.Event) -> None:
        """Deliver until told to stop; ends after the message in hand. Outlives every failure of the outbox."""
        while not stop.is_set():
            self._wake.clear()
            self._rest(stop, self._round(stop))

    def _round(self, stop: threading.Event) -> int | None:
        """One look at the outbox; returns when the next is due."""
        try:
            self.deliver_due(stop)
            due_ms = self._outbox.next_due_ms(self._chat)
        except Exception as error:  # noqa: BLE001 - a full disk must not end the thread that will tell of it
            trouble = f"outbox: {_where(error) if not str(error) else one_line(str(error))}"
            if trouble != self._trouble:
                self._log.error(f"{trouble}; trying again every 30 s")
            self._trouble = trouble
            return self._now() + _OUTBOX_RETRY_MS
        self._trouble = ""
        # Not later than a wait can last: the clock may have been set back since that time was written.
        return None if due_ms is None else min(due_ms, self._now() + self._patience.longest_ms)

    def _rest(self, stop: threading.Event, due_ms: int | None) -> None:
        while not stop.is_set() and not self._wake.wait(_CHECK_S):
            if due_ms is not None and self._now() >= due_ms:
                return

    def deliver_due(self, stop: threading.Event | None = None) -> int:
        """Try each message that is due; returns how many. Raises what the outbox raises where it cannot be used."""
        self._settle()
        handled = 0
        while not (stop is not None and stop.is_set()):
            row = self._outbox.take_next(self._now(), self._chat)
            if row is None:
                break
            self._deliver(row)
            handled += 1
        return handled

    def _deliver(self, row: OutboxRow) -> None:
        step = _Step(self._outbox, row)
        try:
            answer = self._channel(row).deliver(row, step.before_data)
        except TemporaryFailure as failure:
            self._try_later(row, str(failure), others=not step.taken or isinstance(failure, Unreachable))
        except PermanentFailure as failure:
            self._failed(row, str(failure))
        except Unconfirmed as failure:
            self._unconfirmed(row, str(failure), urgent=(row.priority, row.channel) == (Priority.HIGH, Way.EMAIL))
        except Exception as error:  # noqa: BLE001 - a mistake in one channel must not hold up all messages
            if step.trouble is not None:
                raise step.trouble from None
            reason = f"a mistake in the program: {_where(error)}"
            self._unconfirmed(row, reason) if step.taken else self._try_later(row, reason)
        else:
            del self._in_vain[row.channel, row.recipient]
            self._log(f"message {row.key} sent" + (f": {answer}" if answer else ""))
            self._settle(lambda: self._outbox.mark_sent(row.id, self._now()), row)

    def _channel(self, row: OutboxRow) -> Carrier:
        if row.channel not in self._channels:
            raise TemporaryFailure(f"no way to send {one_line(row.channel)} is set up at present")
        return self._channels[row.channel]

    def _try_later(self, row: OutboxRow, reason: str, others: bool = False) -> None:
        """`others`: the trouble is not this message's own, so nothing else for this recipient is tried before."""
        now_ms, way = self._now(), (row.channel, row.recipient)
        before = max(row.attempts, self._tries[row.id])
        self._in_vain[way] += others
        tries = max(before + 1, self._in_vain[way])
        if self._patience.over(now_ms - row.created_ms, tries):
            age = show_duration(now_ms - row.created_ms)
            self._failed(row, f"given up after {age} and {tries} attempts: {reason}")
            return
        if before == 0:
            self._log.warning(f"message {row.key} waits: {reason}")
        next_ms = now_ms + self._patience.wait_ms(before, self._jitter())
        self._settle(lambda: self._outbox.mark_waiting(row.id, next_ms, reason, others))
        self._tries[row.id] = before + 1

    def _failed(self, row: OutboxRow, reason: str) -> None:
        self._log.error(f"message {row.key} failed: {reason}")

        def mark() -> None:
            self._outbox.mark_failed(row.id, self._now(), reason)
            self._on_failed()

        self._settle(mark, row)

    def _unconfirmed(self, row: OutboxRow, reason: str, urgent: bool = False) -> None:
        """Nobody can tell whether it arrived. An urgent mail goes out once more: two of one Message-ID do less harm
        than none, and most mail programs show them as one."""
        self._log.warning(f"message {row.key} unconfirmed: {reason}")
        if urgent and row.attempts == 0:
            next_ms = self._now() + _ONCE_MORE_MS
            self._settle(lambda: self._outbox.mark_waiting(row.id, next_ms, f"{reason}; once more, being urgent"))
            return

        def mark() -> None:
            self._outbox.mark_unconfirmed(row.id, self._now(), reason)
            self._on_failed()

        self._settle(mark, row)

    def _settle(self, mark: Callable[[], None] | None = None, done: OutboxRow | None = None) -> None:
        """Write down how a delivery ended. What cannot be written now is written before the next message is taken:
        a delivery that happened is not forgotten while the disk is full."""
        if done is not None:
            del self._tries[done.id]
        mark = mark or self._unsettled
        if mark is not None:
            self._unsettled = mark
            mark()
            self._unsettled = None


class _Step:
    """The moment before a message may be delivered: marked in the outbox, and known here."""

    def __init__(self, outbox: Outbox, row: OutboxRow) -> None:
        self._outbox = outbox
        self._row = row
        self.taken = False
        self.trouble: Exception | None = None

    def before_data(self) -> None:
        try:
            self._outbox.mark_sending(self._row.id)
        except Exception as error:
            self.trouble = error
            raise
        self.taken = True


def _where(error: Exception) -> str:
    """A mistake of ours by kind and place; its text might hold a secret."""
    frame = traceback.extract_tb(error.__traceback__)[-1]
    return f"{type(error).__name__} at {frame.filename.rpartition('/')[2]}:{frame.lineno}"
