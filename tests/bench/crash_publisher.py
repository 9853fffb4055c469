"""What the probes of the crash bench publish, when the broker took it, and what came of it in the journal."""

import sqlite3
import time
from collections import Counter, defaultdict
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.bench.lab import TRAYS, pack
from tests.services.waiting import wait_until

START_S = 1_772_438_400
HOT = "juniper/top"
TIMELESS_EVERY = 4
"""Behind every so many packs comes a reading without a time, known by its value."""
_SAVING_S = 0.1
"""The broker gathers what it writes before the file has its time."""


@dataclass(frozen=True, slots=True)
class Sent:
    """One message: `number` is its second for a pack, and stands in the value of a reading without a time."""

    number: int
    timeless: bool
    asked_s: float
    mid: int

    @property
    def readings(self) -> int:
        return 1 if self.timeless else 3


class Publisher:
    """Publishes packs a second apart, in order, keeps each until the broker has confirmed it, as a probe does."""

    def __init__(self, port: int) -> None:
        self._client = Client(
            CallbackAPIVersion.VERSION2, "bench-probes", clean_session=False, protocol=MQTTProtocolVersion.MQTTv311
        )
        self._client.max_inflight_messages_set(200)
        self._client.max_queued_messages_set(0)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_publish = self._confirm
        self._client.on_disconnect = self._gone
        self._confirmed: list[tuple[int, float]] = []
        self.sent: list[Sent] = []
        self.breaks_s: list[float] = []
        self.hot = 0
        self._client.connect("127.0.0.1", port)

    def _confirm(self, _client: Client, _data: Any, mid: int, *_: object) -> None:
        self._confirmed.append((mid, time.monotonic()))

    def _gone(self, *_: object) -> None:
        self.breaks_s.append(time.monotonic())

    def __enter__(self) -> "Publisher":
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def send(self, first: int, until: int, for_s: float) -> None:
        """Packs `first` to `until`, spread over `for_s`; returns when the broker has confirmed all of them."""
        began = time.monotonic()
        for number in range(first, until):
            tray = TRAYS[number % len(TRAYS)]
            hot = tray == HOT and (number - first) // len(TRAYS) in (40, 41, 42)
            self.hot += hot and (number - first) // len(TRAYS) == 40
            text = pack(tray, START_S + number, 31.5 if hot else 24.0 + number % 3 / 16, 0.76)
            self._publish(number, tray, text)
            if number % TIMELESS_EVERY == 0:
                text = f'[{{"bn":"urn:dev:mac:1:","n":"battery","u":"V","v":{said(number)!r}}}]'
                self._publish(number, tray, text, timeless=True)
            time.sleep(max(0.0, began + for_s * (number - first) / (until - first) - time.monotonic()))
        wait_until(lambda: len(self._confirmed) >= len(self.sent), "the broker to confirm every message", 90)

    def _publish(self, number: int, tray: str, text: str, *, timeless: bool = False) -> None:
        asked_s = time.monotonic()
        mid = self._client.publish(f"worms/{tray}", text, qos=1).mid
        self.sent.append(Sent(number, timeless, asked_s, mid))

    def confirmed_s(self) -> dict[Sent, float]:
        """When the broker took each: packet ids are used again, so the first of an id belongs to the first."""
        by_mid: dict[int, list[float]] = defaultdict(list)
        for mid, at_s in self._confirmed:
            by_mid[mid].append(at_s)
        turn: Counter[int] = Counter()
        found = {}
        for one in self.sent:
            found[one] = by_mid[one.mid][turn[one.mid]]
            turn[one.mid] += 1
        return found


def said(number: int) -> float:
    """The value that tells one reading without a time from all others."""
    return 4.0 + number / 1_000_000


@dataclass(frozen=True, slots=True)
class Kill:
    """Of `who`, at `began_s`; at `ended_s` collector and broker had found each other again. The broker's file was last
    written at `saved_s`."""

    who: str
    began_s: float
    ended_s: float
    saved_s: float


WHO = ("collector", "broker", "both", "new session")
"""Who is killed; `new session`: the broker, in the first second of the collector's session."""


def compare(database: Path, publisher: Publisher, kills: Sequence[Kill]) -> dict[str, float | int]:
    """What was confirmed and is nowhere, by the kill that it came before or during; what stands there twice."""
    rows = _rows(database, publisher.sent[-1].number)
    lost: Counter[str] = Counter()
    twice = sent_again = saved = 0
    reach_s = 0.0
    for one, at_s in publisher.confirmed_s().items():
        found = rows[one.timeless, one.number]
        missing, more = max(0, one.readings - found), max(0, found - one.readings)
        again = any(one.asked_s < gone_s < at_s for gone_s in publisher.breaks_s)
        twice, sent_again = twice + more * (not again), sent_again + more * again
        if missing:
            kill = next((one for one in kills if at_s <= one.ended_s), kills[-1])
            lost[kill.who] += missing
            saved += missing * (kill.who != "new session" and at_s < kill.saved_s - _SAVING_S)
            reach_s = max(reach_s, kill.began_s - at_s)
    return {
        "sent": sum(one.readings for one in publisher.sent),
        "timeless": sum(one.timeless for one in publisher.sent),
        "lost": lost.total(),
        **{f"lost_{who.replace(' ', '_')}": lost[who] for who in WHO},
        "lost_though_saved": saved,
        "lost_before_kill_s": round(reach_s, 1),
        "stored_twice": twice,
        "sent_twice_by_probes": sent_again,
    }


def _rows(database: Path, last: int) -> Counter[tuple[bool, int]]:
    """How many readings of each pack, and of each reading without a time."""
    found: Counter[tuple[bool, int]] = Counter()
    with closing(sqlite3.connect(database)) as db:
        for t_ms, raw in db.execute("SELECT t, raw FROM readings"):
            if START_S * 1000 <= t_ms <= (START_S + last) * 1000:
                found[False, t_ms // 1000 - START_S] += 1
            else:
                found[True, round((raw - 4.0) * 1_000_000)] += 1
    return found
