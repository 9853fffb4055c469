"""Between the pages and the journal: reads how an alarm is, leaves requests, waits a moment for the answer."""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from pydantic import SecretStr

from collector.alarms.model import LINK_SERIES
from collector.board.port import AlarmPage, LinkWrong, NotNow
from collector.board.words import OccurrenceView
from collector.config.changed_files import Files
from collector.config.clock import Now
from collector.config.home import Home
from collector.letters.links import Ack, LinkRefused, read
from collector.pipeline.pipeline import ORDERS
from collector.store.errors import StoreError
from collector.store.reader import Reader
from collector.store.requests import write_request
from collector.store.watch_state import STALE_MS, WatchState, read_state

KIND = "acknowledge"
_LOOK_EVERY_S = 0.05


@dataclass(frozen=True, slots=True)
class Waiting:
    """How long a press waits for the collector, and when the collector counts as not running."""

    answer_s: float = 2.0
    stale_ms: int = STALE_MS


class JournalLinkDesk:
    """Serves `collector.board.port.Desk`. Raises Refused where lab.yaml or the rules cannot be used at the start; what
    changes in them later is taken up as by the collector."""

    def __init__(
        self, home: Home, secret: SecretStr, now: Now, log: Callable[[str], None], waiting: Waiting | None = None
    ) -> None:
        self._home, self._secret, self._now, self._log = home, secret, now, log
        self._waiting = Waiting() if waiting is None else waiting
        self._files = Files(home, log)
        self._one = threading.Lock()
        """Held while files are read and while a request is left, so that two presses at once leave one."""

    def look(self, token: str) -> AlarmPage:
        ack = self._read(token)
        try:
            with Reader(self._home.database) as reader:
                return self._case(ack, reader).page()
        except StoreError as error:
            raise NotNow(str(error)) from error

    def acknowledge(self, token: str) -> str:
        ack = self._read(token)
        try:
            number = self._leave(ack)
            answer = None if number is None else self._answer(number)
        except StoreError as error:
            raise NotNow(str(error)) from error
        return "" if answer in (None, ORDERS[KIND]) else str(answer)

    def _read(self, token: str) -> Ack:
        try:
            return read(self._secret.get_secret_value(), token, self._now())
        except LinkRefused as refused:
            raise LinkWrong(str(refused), refused.expired) from None

    def _leave(self, ack: Ack) -> int | None:
        """The request for this press: the one that waits already, a new one, or None where there is nothing to do."""
        with self._one, Reader(self._home.database) as reader:
            waiting = self._pending(ack, reader)
            if waiting is not None or not self._case_now(ack, reader).button:
                return waiting
            body = {"rule": ack.rule, "place": ack.place, "by": ack.role, "raised_ms": ack.raised_ms}
            number = write_request(self._home.database, KIND, body, self._now())
        self._log(f"{ack.role!r} acknowledges '{ack.rule}' at {ack.place} by a link: request {number}")
        return number

    def _answer(self, number: int) -> str | None:
        """What the collector made of a request; None where it has not taken it up in time."""
        until = time.monotonic() + self._waiting.answer_s
        while self._state()[1]:
            with Reader(self._home.database) as reader:
                request = reader.request(number)
            if request is not None and request.done_ms is not None:
                return request.result
            if time.monotonic() >= until:
                break
            time.sleep(_LOOK_EVERY_S)
        return None

    def _pending(self, ack: Ack, reader: Reader) -> int | None:
        for request in reader.pending_requests():
            if request.kind == KIND and _same(request.body, ack):
                return request.id
        return None

    def _case(self, ack: Ack, reader: Reader) -> OccurrenceView:
        with self._one:
            return self._case_now(ack, reader)

    def _case_now(self, ack: Ack, reader: Reader) -> OccurrenceView:
        self._files.look()
        lab, rules = self._files.lab, self._files.rules.rules
        state, running = self._state()
        with reader.snapshot():
            held = [one.state for one in reader.alarms() if (one.state.key.rule, one.state.key.series) == _key(ack)]
            past = reader.occurrence(ack.rule, ack.series, ack.raised_ms)
            asked = self._pending(ack, reader) is not None
            known = {one.id: one.as_series() for one in reader.series()} | {LINK_SERIES.id: LINK_SERIES}
        return OccurrenceView(
            ack=ack,
            lab=lab,
            rule=next((rule for rule in rules if rule.name == ack.rule), None),
            series=known.get(ack.series),
            state=held[0] if held else None,
            past=past,
            asked=asked,
            running=running,
            alive_ms=None if state is None else state.alive_ms,
            now_ms=self._now(),
        )

    def _state(self) -> tuple[WatchState | None, bool]:
        """The collector's last sign of life, and whether it runs."""
        state = read_state(self._home.sign_of_life)
        running = state is not None and state.link != "stopped"
        return state, running and state is not None and self._now() - state.alive_ms <= self._waiting.stale_ms


def _key(ack: Ack) -> tuple[str, int]:
    return ack.rule, ack.series


def _same(body: dict[str, Any], ack: Ack) -> bool:
    asked = body.get("rule"), body.get("place"), body.get("raised_ms")
    return asked == (ack.rule, ack.place, ack.raised_ms)
