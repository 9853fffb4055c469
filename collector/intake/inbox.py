"""What has arrived and waits to be judged: columns per series, plus all that could not be placed or read.

`Intake.accept` is the hot path: it runs once per message and does no more than decode, place and append.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from hashlib import blake2b

from collector.domain.lab import Format, Lab, SeriesKey
from collector.domain.readings import FUTURE_TOLERANCE_MS, Why
from collector.intake.allowance import READINGS, Allowances
from collector.intake.json_pointer import read_json
from collector.intake.number import read_number
from collector.intake.placing import Placing, Route, Slot
from collector.intake.record import MAX_REASON, Record, Unreadable, one_line, show
from collector.intake.senml import read_senml_json
from collector.intake.senml_cbor import read_senml_cbor
from collector.store.vocabulary import Counter

REMEMBERED_ARRIVALS = 8_192
"""Messages without a time that are known again: at 24 a minute, what a broker holds over five and a half hours."""
_QUEUED = b"q"
"""Behind the digest of a message that had waited at the broker for us."""
_EARLIEST_MS = 1_262_304_000_000
"""2010-01-01. A probe that says an earlier time has no clock set."""
_SAMPLE_BYTES = 200
_FIRST_BYTES = 64
MOST_ODDITIES = 200
"""Kept per `take`; the rest is only counted."""
_TOPIC_KEPT = 200
"""Characters of a topic that are kept with an oddity: MQTT allows 65,535 bytes."""
ENOUGH_BYTES = 1024 * 1024
"""Payloads that are held before they are judged. One may hold 5,000 readings, so messages alone are no bound: as packs
of three records this is 4,000 messages; at its worst it is about 30,000 readings or half a second of work."""


@dataclass(slots=True)
class Column:
    """Readings of one series in arrival order: times, what was said in the channel's own unit, and why."""

    t_ms: list[int] = field(default_factory=list)
    raw: list[float] = field(default_factory=list)
    why: list[int] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class IncomingMessage:
    """One MQTT message as the intake takes it."""

    topic: str
    payload: bytes
    mid: int = 0
    """Packet id; 0 needs no acknowledgement."""
    redelivered: bool = False
    retained: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Oddity:
    """A message or record that is kept for the maintainer instead of as a reading."""

    t_ms: int
    topic: str
    name: str
    """Record name of a reading nobody claims; empty for what cannot be read."""
    reason: str
    """Empty for a reading nobody claims."""
    sample: bytes


class Intake:
    """Decodes and places messages into columns. Holds no more than what has arrived since the last `take`."""

    def __init__(self, lab: Lab, ids: Mapping[SeriesKey, int], arrivals: Mapping[int, bytes] | None = None) -> None:
        self._placing = Placing(lab, ids)
        self._columns: dict[int, Column] = {}
        self._stamps: dict[int, int] = {}
        self._allowances = Allowances(READINGS)
        self._held_bytes = 0
        self._now_ms = 0
        self.oddities: list[Oddity] = []
        self.counts: dict[Counter, int] = {}
        self.arrivals: dict[int, bytes] = dict(arrivals or {})
        self.catching_up = False
        """Whether what comes now may have waited at the broker: until the first moments of a link are over."""
        self.new_arrivals: list[tuple[int, bytes]] = []

    def take(self) -> dict[int, Column]:
        """The columns filled since the last call, each cut to what its series may bring."""
        columns, self._columns = self._columns, {}
        self._held_bytes = 0
        for series, column in columns.items():
            self._within_allowance(series, column)
        return {series: column for series, column in columns.items() if column.t_ms}

    @property
    def full(self) -> bool:
        """Whether what has arrived should be judged before more is read."""
        return self._held_bytes >= ENOUGH_BYTES

    def _within_allowance(self, series: int, column: Column) -> None:
        came = len(column.t_ms)
        given = min(came, max(0, self._allowances.left(series, self._now_ms)))
        self._allowances.spend(series, given, self._now_ms)
        if given == came:
            return
        for values in (column.t_ms, column.raw, column.why):
            del values[given:]
        self._count(Counter.TOO_MANY, came - given)
        most = f"{READINGS.at_once} readings at once or {READINGS.per_s:g} a second"
        said = f"more than {most} from one channel: {came - given} not kept; is the probe broken?"
        self._keep(Oddity(t_ms=self._now_ms, topic=self._placing.topic(series), name="", reason=said, sample=b""))

    def accept(self, message: IncomingMessage, now_ms: int) -> None:
        """Decode and place one message. Never raises for anything a probe can send."""
        self._now_ms = now_ms
        self._held_bytes += len(message.payload)
        routes = self._placing.routes(message.topic)
        try:
            if not routes:
                self._unclaimed(message, now_ms)
            for route in routes:
                self._records(message, route, self._decode(route, message.payload, now_ms / 1000), now_ms)
        except Unreadable as error:
            self.refuse(message, now_ms, str(error))

    def _decode(self, route: Route, payload: bytes, now_s: float) -> list[Record]:
        match route.format:
            case Format.SENML_JSON:
                return read_senml_json(payload, now_s)
            case Format.SENML_CBOR:
                return read_senml_cbor(payload, now_s)
            case Format.JSON:
                return read_json(payload, route.pointers, route.time_pointer, now_s)
            case Format.NUMBER:
                return [read_number(payload)]

    def _records(self, message: IncomingMessage, route: Route, records: list[Record], now_ms: int) -> None:
        stamped = any(record.stamped for record in records)
        if (stamped and self._came_before(message)) or (message.retained and self._is_stale(records)):
            return
        now_s = now_ms / 1000
        limit_ms = now_ms + FUTURE_TOLERANCE_MS
        columns = self._columns
        for record in records:
            slot = route.slot(record.name)
            if slot is None:
                self._unplaced(message, now_ms, record.name)
                continue
            value = record.value
            if value is None:
                what = "text" if record.form else "a sum only"
                self.refuse(message, now_ms, f"{show(record.name)} carries {what}, a number is needed")
                continue
            conversion = slot.conversions.get(record.unit or slot.default_unit)
            if conversion is None:
                self.refuse(message, now_ms, _wrong_unit(record, slot))
                continue
            column = columns.get(slot.series)
            if column is None:
                column = columns[slot.series] = Column()
            t_s, why = record.t_s, 0
            if t_s == now_s and record.stamped:
                t_s = None  # SenML without a time means now
            t_ms = round(t_s * 1000) if t_s is not None else 0
            if t_s is None or not _EARLIEST_MS <= t_ms <= limit_ms:
                why = Why.ARRIVAL if t_s is None or t_ms < _EARLIEST_MS else Why.FUTURE
                t_ms = self._stamp(slot.series, now_ms)
            if record.unit is not None and record.unit != slot.default_unit:
                value = slot.as_channel_says(value * conversion[0] + conversion[1])
            column.t_ms.append(t_ms)
            column.raw.append(value)
            column.why.append(why)

    def _stamp(self, series: int, now_ms: int) -> int:
        """Arrival time for a reading without one: two that arrive in the same millisecond stay two."""
        t_ms = max(now_ms, self._stamps.get(series, 0) + 1)
        self._stamps[series] = t_ms
        return t_ms

    def _came_before(self, message: IncomingMessage) -> bool:
        """Whether this is the same message delivered again. Only needed where its time is its arrival, since all
        others fall on their key. The packet id alone says nothing: it is used again for new messages.

        A broker that was killed begins again from the file it last saved, and hands over what waited for us then a
        second time, under the same packet ids and unmarked, since by its file it never sent it. What was sent to us at
        once stands there as sent, and comes marked. So unmarked ones are known only while we catch up, and only if they
        had waited for us the first time too: a probe that says the same value again in ordinary running is never
        taken for a repetition.
        """
        if not message.mid:
            return False
        digest = blake2b(message.topic.encode() + b"\0" + message.payload, digest_size=8).digest()
        known = self.arrivals.get(message.mid, b"")
        again = known[: len(digest)] == digest if message.redelivered else known == digest + _QUEUED
        if again and (message.redelivered or self.catching_up):
            self._count(Counter.REDELIVERED)
            return True
        self._remember(message.mid, digest + _QUEUED if self.catching_up else digest)
        return False

    def _remember(self, mid: int, digest: bytes) -> None:
        self.arrivals.pop(mid, None)
        self.arrivals[mid] = digest
        if len(self.arrivals) > REMEMBERED_ARRIVALS:
            del self.arrivals[next(iter(self.arrivals))]
        self.new_arrivals.append((mid, digest))

    def _is_stale(self, records: list[Record]) -> bool:
        """A retained message was published at some earlier time: without its own clock it says nothing about now."""
        if all(record.t_s is not None and not record.stamped for record in records):
            return False
        self._count(Counter.RETAINED)
        return True

    def _unclaimed(self, message: IncomingMessage, now_ms: int) -> None:
        """Nobody claims the topic: keep a sample, by record name where it reads as SenML, so it can be assigned."""
        read: Callable[[bytes, float], list[Record]] = read_senml_json
        if message.payload[:1] not in (b"[", b" ", b"\n", b"\t", b"\r"):
            read = read_senml_cbor
        try:
            names = {record.name for record in read(message.payload, now_ms / 1000)}
        except Unreadable:
            names = {""}
        for name in sorted(names)[:20]:
            self._unplaced(message, now_ms, name)

    def refuse(self, message: IncomingMessage, now_ms: int, reason: str) -> None:
        """Count a message that cannot be used and keep its reason and first bytes."""
        self._count(Counter.REJECTED)
        said = one_line(reason, MAX_REASON)
        self._keep(
            Oddity(
                t_ms=now_ms,
                topic=message.topic[:_TOPIC_KEPT],
                name="",
                reason=said,
                sample=message.payload[:_FIRST_BYTES],
            )
        )

    def _unplaced(self, message: IncomingMessage, now_ms: int, name: str) -> None:
        self._count(Counter.UNPLACED)
        self._keep(
            Oddity(
                t_ms=now_ms,
                topic=message.topic[:_TOPIC_KEPT],
                name=name,
                reason="",
                sample=message.payload[:_SAMPLE_BYTES],
            )
        )

    def _keep(self, oddity: Oddity) -> None:
        if len(self.oddities) < MOST_ODDITIES:
            self.oddities.append(oddity)

    def _count(self, name: Counter, by: int = 1) -> None:
        self.counts[name] = self.counts.get(name, 0) + by


def _wrong_unit(record: Record, slot: Slot) -> str:
    measure, known = slot.channel.measure, ", ".join(slot.conversions)
    return f"{show(record.name)} has unit {show(record.unit)}, which is not {measure}; the channel takes {known}"


def finite_or_none(values: list[float]) -> list[float | None]:
    """NaN as None, for the journal: SQLite has no NaN."""
    return [None if math.isnan(value) else value for value in values]
