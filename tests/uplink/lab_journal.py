"""A journal with readings, alarm changes, a diary and a brew, for the tests of the uplink."""

from pathlib import Path
from typing import Any

from collector.alarms.model import AlarmKey, Event, State, Transition
from collector.domain.diary import Brew, DiaryEntry, DiaryKind, Feel
from collector.domain.lab import SeriesKey
from collector.store.batch import Batch, HistoryRow
from collector.store.journal import Journal
from tests.worlds.values import HOUR as HOUR
from tests.worlds.values import MIN as MIN
from tests.worlds.values import T0 as T0

TEMPERATURE = SeriesKey(probe="juniper-top", channel="temperature", measure="bedding_temperature", place="juniper/top")
MOISTURE = SeriesKey(probe="juniper-top", channel="moisture", measure="bedding_moisture", place="juniper/top")
NOW = T0 + 10 * HOUR


def opened(folder: Path) -> Journal:
    return Journal(folder / "traywarden.db", "UTC", T0)


def series_of(journal: Journal) -> tuple[int, int]:
    """Numbers of temperature and moisture."""
    return (
        journal.series_id(TEMPERATURE, "Cel", "juniper", "top", T0),
        journal.series_id(MOISTURE, "%", "juniper", "top", T0),
    )


def add_readings(journal: Journal, minutes: range, *, start_ms: int = T0, now_ms: int = NOW) -> None:
    """Two readings a minute, such as minute 3: 20.03 degC and 74.97 %."""
    first, second = series_of(journal)
    batch = Batch()
    for minute in minutes:
        t = start_ms + minute * MIN
        batch.rows += [
            (t, first, 20 + minute / 100, 1, 20 + minute / 100, 0),
            (t, second, 75 - minute / 100, 1, 1800.0, 0),
        ]
    journal.commit(batch, now_ms)


def change(number: int, event: Event, before: State, after: State, t_ms: int, by: str = "") -> HistoryRow:
    transition = Transition(
        key=AlarmKey("bedding-hot", number),
        event=event,
        before=before,
        after=after,
        t_ms=t_ms,
        since_ms=T0,
        raised_ms=T0 + MIN,
        value=31.2,
        worst=31.4,
        by=by,
    )
    return HistoryRow(
        transition=transition, place="juniper/top", measure="bedding_temperature", priority="high", noticed_ms=t_ms
    )


def watered(number: int = 1, **more: object) -> DiaryEntry:
    said: dict[str, Any] = {"by": "class 4b", "note": "dry edge, \\"}
    said |= more
    return DiaryEntry(
        id=number,
        t_ms=T0,
        taken_ms=T0 + MIN,
        place="juniper/top",
        kind=DiaryKind.WATERED,
        amount=0.5,
        result=None,
        **said,
    )


SQUEEZED = DiaryEntry(
    id=2,
    t_ms=T0 + HOUR,
    taken_ms=T0 + HOUR,
    place="juniper/top",
    kind=DiaryKind.SQUEEZE,
    amount=None,
    result=Feel.DAMP,
    by="class 4b",
)
BREW = Brew(
    id=1,
    place="kettle",
    started_ms=T0,
    air_stopped_ms=T0 + 2 * HOUR,
    ended_ms=T0 + 3 * HOUR,
    taken_ms=T0,
    by="class 4b",
    ended_by="teacher",
)


def fill(journal: Journal) -> None:
    """One of each kind."""
    number, _ = series_of(journal)
    add_readings(journal, range(30))
    batch = Batch()
    batch.transitions.append(change(number, Event.RAISED, State.NORMAL, State.UNACKNOWLEDGED, T0 + MIN))
    batch.transitions.append(
        change(number, Event.ACKNOWLEDGED, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, T0 + 2 * MIN, "teacher")
    )
    batch.diary = {1: watered(), 2: SQUEEZED}
    batch.brews = {1: BREW}
    journal.commit(batch, NOW)
