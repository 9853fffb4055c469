"""Takes messages out of the outbox and hands them to the channels, so that none is lost and none comes twice.

    waiting -> (recipient accepted) -> sending -> (answer 250) -> sent
       ^ \\-> failed                      | \\-> unconfirmed: no answer came, or a crash came between
       \\---------------------------------/ refused for now

A message is marked as sending, durably, just before the step that may deliver it. So whatever is found as sending after
a crash may have arrived, and is never sent again.
"""

import logging
import random
import sqlite3
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from collector.domain.units import MS, show_duration
from collector.messages.plain import one_line
from collector.messages.port import Channel, Outbox, PermanentFailure, Row, TemporaryFailure, Unconfirmed

_log = logging.getLogger("traywarden.messages")
_CHECK_S = 0.5
"""How often a resting sender looks whether it is time, by a clock that the machine may set."""


@dataclass(frozen=True, slots=True)
class Patience:
    """How long to go on with a message that does not get through."""

    first_ms: int = 30 * MS["s"]
    longest_ms: int = 30 * MS["min"]
    give_up_ms: int = 3 * MS["d"]
    least_attempts: int = 10
    """Not given up before, however old: a clock that jumps ahead after power-up makes every message look old."""

    def wait_ms(self, attempts: int, jitter: float) -> int:
        """The wait after `attempts` failures before this one; doubles up to `longest_ms`. `jitter` in 0..1 spreads it
        over the upper half, so that many labs do not come back to one server at once."""
        span = min(self.longest_ms, self.first_ms << min(attempts + 1, 20))
        return max(min(self.first_ms, self.longest_ms), round(span * (1 + jitter) / 2))

    def over(self, row: Row, now_ms: int) -> bool:
        return now_ms - row.created_ms >= self.give_up_ms and row.attempts + 1 >= self.least_attempts


class Sender:
    """Delivers what is due. `wake` is set by whoever adds messages, or sets the stop of `run`."""

    def __init__(
        self,
        outbox: Outbox,
        channels: Mapping[str, Channel],
        now: Callable[[], int],
        wake: threading.Event,
        patience: Patience | None = None,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        self._outbox = outbox
        self._channels = channels
        self._now = now
        self._wake = wake
        self._patience = patience or Patience()
        self._jitter = jitter
        self._unsettled: Callable[[], None] | None = None

    def run(self, stop: threading.Event) -> None:
        """Deliver until told to stop; ends after the message in hand. Outlives every failure of the database."""
        while not stop.is_set():
            self._wake.clear()
            try:
                self.deliver_due(stop)
                due_ms = self._outbox.next_due_ms(self._now())
            except sqlite3.Error as error:
                _log.warning("outbox: %s; trying again in 30 s", one_line(str(error)))
                due_ms = self._now() + 30 * MS["s"]
            self._rest(stop, due_ms)

    def _rest(self, stop: threading.Event, due_ms: int | None) -> None:
        while not stop.is_set() and not self._wake.wait(_CHECK_S):
            if due_ms is not None and self._now() >= due_ms:
                return

    def deliver_due(self, stop: threading.Event | None = None) -> int:
        """Try each message that is due; returns how many. Raises sqlite3.Error where the outbox cannot be used."""
        self._settle()
        handled = 0
        while not (stop is not None and stop.is_set()):
            row = self._outbox.take_next(self._now())
            if row is None:
                break
            self._deliver(row)
            handled += 1
        return handled

    def _deliver(self, row: Row) -> None:
        sending = False

        def before_data() -> None:
            nonlocal sending
            self._outbox.mark_sending(row.id, self._now())
            sending = True

        try:
            self._channel(row).deliver(row, before_data)
        except TemporaryFailure as failure:
            self._try_later(row, str(failure))
        except PermanentFailure as failure:
            self._failed(row, str(failure))
        except Unconfirmed as failure:
            self._unconfirmed(row, str(failure))
        except sqlite3.Error:
            raise  # the outbox itself, before anything was delivered
        except Exception as error:  # noqa: BLE001 - one message's trouble must never hold up the others
            _log.exception("message %s", row.key)
            reason = one_line(f"unexpected {type(error).__name__}, see the log")
            self._unconfirmed(row, reason) if sending else self._try_later(row, reason)
        else:
            _log.info("message %s sent", row.key)
            self._settle(lambda: self._outbox.mark_sent(row.id, self._now()))

    def _channel(self, row: Row) -> Channel:
        if row.channel not in self._channels:
            raise TemporaryFailure(f"no way to send {one_line(row.channel)} is set up at present")
        return self._channels[row.channel]

    def _try_later(self, row: Row, reason: str) -> None:
        now_ms = self._now()
        if self._patience.over(row, now_ms):
            age = show_duration(now_ms - row.created_ms)
            self._failed(row, f"given up after {age} and {row.attempts + 1} attempts: {reason}")
            return
        next_ms = now_ms + self._patience.wait_ms(row.attempts, self._jitter())
        _log.info("message %s waits: %s", row.key, reason)
        self._settle(lambda: self._outbox.mark_waiting(row.id, next_ms, reason))

    def _failed(self, row: Row, reason: str) -> None:
        _log.warning("message %s failed: %s", row.key, reason)
        self._settle(lambda: self._outbox.mark_failed(row.id, self._now(), reason))

    def _unconfirmed(self, row: Row, reason: str) -> None:
        _log.warning("message %s unconfirmed: %s", row.key, reason)
        self._settle(lambda: self._outbox.mark_unconfirmed(row.id, self._now(), reason))

    def _settle(self, mark: Callable[[], None] | None = None) -> None:
        """Write down how a delivery ended. What cannot be written now is written before the next message is taken:
        a delivery that happened is not forgotten while the disk is full."""
        mark = mark or self._unsettled
        if mark is not None:
            self._unsettled = mark
            mark()
            self._unsettled = None
