"""The alarm history followed alarm by alarm, and the ways of counting that ISA-18.2 / IEC 62682 asks for.

Each alarm's changes are followed in the order they were noted (`id`): times may go back, for readings carry the time of
their probe and acknowledgements that of the collector. What is counted, is counted at its time.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from typing import Protocol

from collector.alarms.audit.limits import CHATTER_NUMBER, FLOOD_OVER, FLOOD_UNDER
from collector.alarms.model import STANDING, AlarmKey, Event, State


class HistoryLine(Protocol):
    """One line of the alarm history, as the store keeps it."""

    @property
    def id(self) -> int: ...
    @property
    def rule(self) -> str: ...
    @property
    def series(self) -> int: ...
    @property
    def place(self) -> str: ...
    @property
    def measure(self) -> str: ...
    @property
    def priority(self) -> str: ...
    @property
    def event(self) -> Event: ...
    @property
    def before(self) -> State: ...
    @property
    def after(self) -> State: ...
    @property
    def t_ms(self) -> int: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Annunciation:
    """One time an alarm was annunciated, and what became of it."""

    alarm: AlarmKey
    place: str
    measure: str
    priority: str
    t_ms: int
    from_ms: int
    """Since when it has stood without a break: earlier than `t_ms` where it was annunciated once more."""
    acknowledged_ms: int | None = None
    ended_ms: int | None = None
    cleared: bool = False
    """Whether it ended because the condition went away."""
    repeated: bool = False
    """Whether it stood on and was annunciated once more."""


def annunciates(change: HistoryLine) -> bool:
    """Whether people are called at this change."""
    return change.after is State.UNACKNOWLEDGED and change.before is not State.UNACKNOWLEDGED


def occurrences(changes: Iterable[HistoryLine]) -> tuple[Annunciation, ...]:
    """Each time an alarm was annunciated, in the order of their times."""
    by_alarm: dict[AlarmKey, list[HistoryLine]] = defaultdict(list)
    for change in changes:
        by_alarm[AlarmKey(change.rule, change.series)].append(change)
    found: list[Annunciation] = []
    for alarm, rows in by_alarm.items():
        found += _follow(alarm, sorted(rows, key=lambda change: change.id))
    return tuple(sorted(found, key=lambda call: (call.t_ms, call.alarm.rule, call.alarm.series)))


def _follow(alarm: AlarmKey, rows: Sequence[HistoryLine]) -> list[Annunciation]:
    found: list[Annunciation] = []
    for row in rows:
        last = found[-1] if found else None
        if annunciates(row):
            stands = last is not None and last.ended_ms is None
            if last is not None and stands:
                found[-1] = replace(last, ended_ms=row.t_ms, repeated=True)
            since = last.from_ms if last is not None and stands else row.t_ms
            found.append(
                Annunciation(
                    alarm=alarm,
                    place=row.place,
                    measure=row.measure,
                    priority=row.priority,
                    t_ms=row.t_ms,
                    from_ms=since,
                )
            )
        elif last is not None:
            found[-1] = _went_on(last, row)
    return found


def _went_on(last: Annunciation, row: HistoryLine) -> Annunciation:
    if row.event is Event.ACKNOWLEDGED and last.acknowledged_ms is None:
        return replace(last, acknowledged_ms=row.t_ms)
    if last.ended_ms is None and row.after not in STANDING:
        return replace(last, ended_ms=row.t_ms, cleared=row.event is Event.CLEARED)
    return last


def bouts(times: Sequence[int], within_ms: int) -> list[tuple[int, int]]:
    """Runs of chattering in rising times, as (first, past the last): every three in a row within `within_ms`, both ends
    counted, make one, and those that share an alarm are one run."""
    found: list[tuple[int, int]] = []
    for first in range(len(times) - CHATTER_NUMBER + 1):
        end = first + CHATTER_NUMBER
        if times[end - 1] - times[first] > within_ms:
            continue
        if found and first < found[-1][1]:
            found[-1] = (found[-1][0], end)
        else:
            found.append((first, end))
    return found


def flood_intervals(counts: Mapping[int, int]) -> list[tuple[int, int]]:
    """Floods as (first, past the last) interval of ten minutes, from the number of alarms in each that has any."""
    found: list[tuple[int, int]] = []
    flooded = False
    for interval in sorted(counts):
        if flooded and found[-1][1] == interval and counts[interval] >= FLOOD_UNDER:
            found[-1] = (found[-1][0], interval + 1)
        else:
            flooded = counts[interval] > FLOOD_OVER
            if flooded:
                found.append((interval, interval + 1))
    return found


def percentile(values: Sequence[int], share: float) -> int | None:
    """The smallest of the values that at least this share of them does not pass (nearest rank)."""
    return sorted(values)[max(0, math.ceil(share * len(values)) - 1)] if values else None


def local_day(t_ms: int, zone: tzinfo) -> int:
    """The number of the local day."""
    return datetime.fromtimestamp(t_ms // 1000, UTC).astimezone(zone).toordinal()
