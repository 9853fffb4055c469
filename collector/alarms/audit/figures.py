"""How the alarms of a lab behaved, by the measures of ANSI/ISA-18.2-2016 / IEC 62682.

    audit(changes, window, zone, respond_ms) -> Audit

`changes` is the alarm history in any order, with what came before the window too, so that alarms that stood at its
start are known.

Intervals of ten minutes and of an hour are cut from the start of the window; days are those of the lab's time zone.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import NamedTuple

from collector.alarms.audit.history import (
    Annunciation,
    HistoryLine,
    annunciates,
    bouts,
    flood_intervals,
    local_day,
    occurrences,
    percentile,
)
from collector.alarms.audit.limits import (
    BUSY_HOUR,
    BUSY_TEN_MINUTES,
    CHATTER_HOUR_MS,
    CHATTER_MINUTE_MS,
    DAY,
    ENOUGH_DAYS,
    FLEETING_HOUR_MS,
    FLEETING_MINUTE_MS,
    HOUR,
    MEASURED,
    STALE_MS,
    TEN_MINUTES,
    Measured,
)
from collector.alarms.model import STANDING, AlarmKey, Event, Priority


@dataclass(frozen=True, slots=True)
class Window:
    """The stretch looked at, and how much of it the collector was watching."""

    since_ms: int
    until_ms: int
    watched_ms: int

    @property
    def days(self) -> float:
        """How long it is."""
        return self.watched_ms / DAY

    @property
    def enough(self) -> bool:
        """Whether there is data for a verdict; an hour short of it will do."""
        return self.watched_ms >= ENOUGH_DAYS * DAY - HOUR


class Flood(NamedTuple):
    since_ms: int
    until_ms: int
    alarms: int


class Figure(NamedTuple):
    """A figure beside what it is held against. `value` is None where there was nothing to measure."""

    name: str
    value: float | None

    @property
    def measured(self) -> Measured:
        """What the figure is called and held against."""
        return MEASURED[self.name]

    @property
    def standard_met(self) -> bool | None:
        """Whether it is within what the standard asks; None where that asks nothing."""
        limit = self.measured.standard
        return None if limit is None else limit.met(self.value)

    @property
    def target_met(self) -> bool | None:
        """Whether it is within what this lab asks; None where that asks nothing."""
        limit = self.measured.target
        return None if limit is None else limit.met(self.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Actor:
    """One alarm at one series over the window. A bout is a run of chattering; its repeats are all but the first."""

    alarm: AlarmKey
    place: str
    measure: str
    priority: str
    count: int
    share: float
    """In % of all annunciated alarms."""
    bouts_minute: int
    repeats_minute: int
    bouts_hour: int
    repeats_hour: int
    fleeting_minute: int
    fleeting_hour: int
    stale: int
    never_acknowledged: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Audit:
    window: Window
    count: int
    messages: int
    """What each person told of every alarm has got: alarms, and returns to normal."""
    figures: tuple[Figure, ...]
    floods: tuple[Flood, ...]
    actors: tuple[Actor, ...]
    """Every alarm that was annunciated or stale, the most frequent first; the first ten are the top ten."""
    priorities: Mapping[str, int]
    standing: tuple[Annunciation, ...]
    """What stands at the end of the window, the oldest first."""

    def value(self, name: str) -> float | None:
        """The figure of this name."""
        return next(figure.value for figure in self.figures if figure.name == name)


def audit(changes: Iterable[HistoryLine], window: Window, zone: tzinfo, respond_ms: Mapping[str, int]) -> Audit:
    """`respond_ms` is the time to respond of each alarm, by name, as far as it is known."""
    until = [change for change in changes if change.t_ms < window.until_ms]
    known = occurrences(until)
    return _Count(
        window=window, zone=zone, respond_ms=respond_ms, known=known, messages=sum(map(_told, _within(until, window)))
    ).audit()


def _within(changes: Sequence[HistoryLine], window: Window) -> Iterator[HistoryLine]:
    return (change for change in changes if change.t_ms >= window.since_ms)


def _told(change: HistoryLine) -> bool:
    return annunciates(change) or (change.event is Event.CLEARED and change.before in STANDING)


@dataclass(slots=True, kw_only=True)
class _Count:
    """One audit being made."""

    window: Window
    zone: tzinfo
    respond_ms: Mapping[str, int]
    known: Sequence[Annunciation]
    messages: int
    told: list[Annunciation] = field(init=False)
    stale: list[Annunciation] = field(init=False)

    def __post_init__(self) -> None:
        self.told = [call for call in self.known if call.t_ms >= self.window.since_ms]
        self.stale = [call for call in self.known if self._is_stale(call)]

    def _end(self, call: Annunciation) -> int:
        return self.window.until_ms if call.ended_ms is None else call.ended_ms

    def _is_stale(self, call: Annunciation) -> bool:
        end = self._end(call)
        return not call.repeated and end - call.from_ms > STALE_MS and end > self.window.since_ms

    def audit(self) -> Audit:
        tens = Counter((call.t_ms - self.window.since_ms) // TEN_MINUTES for call in self.told)
        floods = flood_intervals(tens)
        actors = self._actors()
        standing = sorted((call for call in self.known if call.ended_ms is None), key=lambda call: call.from_ms)
        values = (
            self._rates(tens)
            | self._shares(tens, floods, actors)
            | self._nuisance(actors)
            | self._acknowledgement()
            | {"standing": len(standing)}
        )
        return Audit(
            window=self.window,
            count=len(self.told),
            messages=self.messages,
            figures=tuple(Figure(name, values[name]) for name in MEASURED),
            floods=tuple(self._flood(first, end, tens) for first, end in floods),
            actors=actors,
            priorities=self._priorities(),
            standing=tuple(standing),
        )

    def _per(self, count: int, length_ms: int) -> float | None:
        watched = self.window.watched_ms
        return count * length_ms / watched if watched else None

    def _percent_of_time(self, count: int, length_ms: int) -> float | None:
        share = self._per(count, length_ms)
        return None if share is None else min(100.0, 100 * share)

    def _rates(self, tens: Counter[int]) -> dict[str, float | None]:
        hours = Counter((call.t_ms - self.window.since_ms) // HOUR for call in self.told)
        days = Counter(local_day(call.t_ms, self.zone) for call in self.told)
        count = len(self.told)
        return {
            "messages_per_day": self._per(self.messages, DAY),
            "alarms_per_day": self._per(count, DAY),
            "alarms_in_worst_day": max(days.values(), default=0),
            "alarms_per_hour": self._per(count, HOUR),
            "alarms_in_worst_hour": max(hours.values(), default=0),
            "alarms_per_10_min": self._per(count, TEN_MINUTES),
            "alarms_in_worst_10_min": max(tens.values(), default=0),
            "hours_over_30": self._percent_of_time(sum(n > BUSY_HOUR for n in hours.values()), HOUR),
            "ten_minutes_over_10": self._percent_of_time(sum(n > BUSY_TEN_MINUTES for n in tens.values()), TEN_MINUTES),
        }

    def _shares(
        self, tens: Counter[int], floods: Sequence[tuple[int, int]], actors: Sequence[Actor]
    ) -> dict[str, float | None]:
        count, priorities = len(self.told), self._priorities()
        flooded = sum(end - first for first, end in floods)
        return {
            "time_in_flood": self._percent_of_time(flooded, TEN_MINUTES),
            "top_ten_share": 100 * sum(actor.count for actor in actors[:10]) / count if count else None,
        } | {f"{name}_share": 100 * priorities[name] / count if count else None for name in Priority}

    def _flood(self, first: int, end: int, tens: Counter[int]) -> Flood:
        since = self.window.since_ms
        alarms = sum(tens[interval] for interval in range(first, end))
        return Flood(since + first * TEN_MINUTES, since + end * TEN_MINUTES, alarms)

    def _priorities(self) -> dict[str, int]:
        found = Counter(call.priority for call in self.told)
        return dict.fromkeys((str(name) for name in Priority), 0) | dict(sorted(found.items()))

    def _nuisance(self, actors: Sequence[Actor]) -> dict[str, float | None]:
        fleeting = sum(actor.fleeting_hour for actor in actors)
        return {
            "chattering_minute": sum(actor.bouts_minute > 0 for actor in actors),
            "chattering_hour": sum(actor.bouts_hour > 0 for actor in actors),
            "fleeting_minute": sum(actor.fleeting_minute for actor in actors),
            "fleeting_hour": fleeting * ENOUGH_DAYS / max(ENOUGH_DAYS, self.window.days),
            "stale": self._stale_at_once(),
        }

    def _stale_at_once(self) -> int:
        days: Counter[int] = Counter()
        for call in self.stale:
            since = max(call.from_ms + STALE_MS + 1, self.window.since_ms)
            days.update(range(local_day(since, self.zone), local_day(self._end(call), self.zone) + 1))
        return max(days.values(), default=0)

    def _acknowledgement(self) -> dict[str, float | None]:
        seen = [
            (call, max(0, call.acknowledged_ms - call.t_ms)) for call in self.told if call.acknowledged_ms is not None
        ]
        took = [taken for _, taken in seen]
        return {
            "acknowledge_median": percentile(took, 0.5),
            "acknowledge_p90": percentile(took, 0.9),
            "acknowledged_late": sum(
                taken > self.respond_ms[call.alarm.rule] for call, taken in seen if call.alarm.rule in self.respond_ms
            ),
            "never_acknowledged": sum(map(_never, self.told)),
        }

    def _actors(self) -> tuple[Actor, ...]:
        by_alarm: dict[AlarmKey, list[Annunciation]] = {call.alarm: [] for call in (*self.told, *self.stale)}
        for call in self.told:
            by_alarm[call.alarm].append(call)
        stale = {alarm: [call for call in self.stale if call.alarm == alarm] for alarm in by_alarm}
        found = [self._actor(alarm, told, stale[alarm]) for alarm, told in by_alarm.items()]
        return tuple(sorted(found, key=lambda actor: (-actor.count, actor.alarm.rule, actor.alarm.series)))

    def _actor(self, alarm: AlarmKey, told: Sequence[Annunciation], stale: Sequence[Annunciation]) -> Actor:
        times = [call.t_ms for call in told]
        by_minute, by_hour = bouts(times, CHATTER_MINUTE_MS), bouts(times, CHATTER_HOUR_MS)
        last = max((*told, *stale), key=lambda call: call.t_ms)
        return Actor(
            alarm=alarm,
            place=last.place,
            measure=last.measure,
            priority=last.priority,
            count=len(told),
            share=100 * len(told) / max(1, len(self.told)),
            bouts_minute=len(by_minute),
            repeats_minute=_repeats(by_minute),
            bouts_hour=len(by_hour),
            repeats_hour=_repeats(by_hour),
            fleeting_minute=sum(_fleeting(call, FLEETING_MINUTE_MS) for call in _outside(told, by_minute)),
            fleeting_hour=sum(_fleeting(call, FLEETING_HOUR_MS) and _unseen(call) for call in _outside(told, by_hour)),
            stale=len(stale),
            never_acknowledged=sum(map(_never, told)),
        )


def _repeats(runs: Sequence[tuple[int, int]]) -> int:
    return sum(end - first - 1 for first, end in runs)


def _outside(told: Sequence[Annunciation], runs: Sequence[tuple[int, int]]) -> Iterator[Annunciation]:
    inside = {number for first, end in runs for number in range(first, end)}
    return (call for number, call in enumerate(told) if number not in inside)


def _fleeting(call: Annunciation, within_ms: int) -> bool:
    return call.cleared and call.ended_ms is not None and call.ended_ms - call.t_ms < within_ms


def _unseen(call: Annunciation) -> bool:
    """Nobody acknowledged it while it stood."""
    return call.acknowledged_ms is None or (call.ended_ms is not None and call.acknowledged_ms > call.ended_ms)


def _never(call: Annunciation) -> bool:
    """It has ended, and nobody acknowledged it."""
    return call.ended_ms is not None and call.acknowledged_ms is None
