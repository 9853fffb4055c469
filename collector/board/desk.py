"""Between the pages and the journal: reads how an alarm is, leaves requests, waits a moment for the answer."""

import threading

from pydantic import SecretStr

from collector.alarms.model import LINK_SERIES
from collector.board.port import AlarmPage, LinkWrong, NotNow
from collector.board.words import OccurrenceView
from collector.config.changed_files import WatchedFiles
from collector.config.clock import Now
from collector.config.home import Home
from collector.config.log import Log
from collector.domain.readings import StoredReading
from collector.letters.links import Ack, LinkRefused, read
from collector.store.asking import Waiting, reply_to
from collector.store.errors import StoreError
from collector.store.reader import Reader
from collector.store.requests import Acknowledge, write_request
from collector.store.tables.reading import NewestReading
from collector.store.watch_state import collector_state, read_state

_DIARY_MS = 60 * 86_400_000
"""So long back advice asks the diary."""
PRESSED = Waiting(reply_s=2.0)
"""How long a press waits for the collector."""


class JournalLinkDesk:
    """Serves `collector.board.port.Desk`. Raises Refused where lab.yaml or the rules cannot be used at the start; what
    changes in them later is taken up as by the collector."""

    def __init__(self, home: Home, secret: SecretStr, now: Now, log: Log, waiting: Waiting = PRESSED) -> None:
        self._home, self._secret, self._now, self._log = home, secret, now, log
        self._waiting = waiting
        self._files = WatchedFiles(home, log)
        self._one = threading.Lock()
        """Held while files are read and while a request is left, so that two presses at once leave one."""

    def look(self, token: str) -> AlarmPage:
        """As `LinkDesk` says."""
        ack = self._read(token)
        try:
            with self._reader() as reader:
                return self._case(ack, reader).page()
        except StoreError as error:
            raise NotNow(str(error)) from error

    def acknowledge(self, token: str) -> str:
        """As `LinkDesk` says."""
        ack = self._read(token)
        try:
            number = self._leave(ack)
            reply = None if number is None else reply_to(self._home, number, self._now, self._waiting)
        except StoreError as error:
            raise NotNow(str(error)) from error
        return "" if reply is None or reply.done else reply.words

    def _reader(self) -> Reader:
        if not self._home.database.exists():
            raise NotNow("there is no journal: the collector has not run here yet")
        return Reader(self._home.database)

    def _read(self, token: str) -> Ack:
        try:
            return read(self._secret.get_secret_value(), token, self._now())
        except LinkRefused as refused:
            raise LinkWrong(str(refused), refused.expired) from None

    def _leave(self, ack: Ack) -> int | None:
        """The request for this press: the one that waits already, a new one, or None where there is nothing to do."""
        with self._one, self._reader() as reader:
            waiting = self._pending(ack, reader)
            if waiting is not None or not self._case_now(ack, reader).button:
                return waiting
            wanted = Acknowledge(rule=ack.rule, place=ack.place, by=ack.role, raised_ms=ack.raised_ms)
            number = write_request(self._home.database, wanted, self._now())
        self._log(f"{ack.role!r} acknowledges '{ack.rule}' at {ack.place} by a link: request {number}")
        return number

    def _pending(self, ack: Ack, reader: Reader) -> int | None:
        for row in reader.pending_requests():
            if isinstance(row.request, Acknowledge) and _same(row.request, ack):
                return row.id
        return None

    def _case(self, ack: Ack, reader: Reader) -> OccurrenceView:
        with self._one:
            return self._case_now(ack, reader)

    def _case_now(self, ack: Ack, reader: Reader) -> OccurrenceView:
        self._files.look()
        lab, rules = self._files.lab, self._files.rules.rules
        state = read_state(self._home.sign_of_life)
        now_ms = self._now()
        with reader.snapshot():
            states = {stored.state.key: stored.state for stored in reader.alarms()}
            held = [state for key, state in states.items() if (key.rule, key.series) == _key(ack)]
            diary = reader.diary(now_ms - _DIARY_MS)
            past = reader.occurrence(ack.rule, ack.series, ack.raised_ms)
            asked = self._pending(ack, reader) is not None
            known = {stored.id: stored.as_series() for stored in reader.series()} | {LINK_SERIES.id: LINK_SERIES}
            last = {number: _stored(reading) for number, reading in reader.newest().items()}
        return OccurrenceView(
            ack=ack,
            lab=lab,
            rule=next((rule for rule in rules if rule.name == ack.rule), None),
            series=known.get(ack.series),
            state=held[0] if held else None,
            past=past,
            asked=asked,
            running=collector_state(state, now_ms, self._waiting.stale_ms).runs,
            alive_ms=None if state is None else state.alive_ms,
            now_ms=now_ms,
            last=last,
            known=known,
            states=states,
            rules={rule.name: rule for rule in rules},
            diary=diary,
        )


def _stored(reading: NewestReading) -> StoredReading:
    """What letters know of a reading; what the probe said in its own unit is not among it."""
    return StoredReading(
        series=reading.series, t_ms=reading.t_ms, value=reading.value, flag=reading.flag, raw=None, why=reading.why
    )


def _key(ack: Ack) -> tuple[str, int]:
    return ack.rule, ack.series


def _same(asked: Acknowledge, ack: Ack) -> bool:
    return (asked.rule, asked.place, asked.raised_ms) == (ack.rule, ack.place, ack.raised_ms)
