"""The alarm engine: readings and the passing of time in, changes of alarm states out. Values only: no clock, no store.

    engine = Engine(rules, series, lab, states, newest, created_ms, link)
    for each batch of readings of a series:      transitions += engine.judge(series, t_ms, value, flags)
    when `next_deadline_ms()` has come:          transitions += engine.tick(now_ms)
    before the commit:                           states = engine.changed_states()

Alarms run on the time of the readings. A reading first lets timers end that were due before it, is then looked at, and
then lets those end that are due at its time; so readings alone (replay) and readings with ticks between them (live)
give the same transitions, and how readings are cut into chunks does not matter.

Each series has a clock: the newer of its newest judged reading and the last timer that a tick let end. What is not
newer than the clock is late: it may be stored, but no alarm looks at it. A caller that ticks the moment a timer ends
makes a reading late that is still on its way; ticking a few seconds behind the wall clock avoids that.
"""

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from collector.alarms.alarm import Alarm, Ledger, SeriesAlarm
from collector.alarms.chunk import Flags, Mask, Times, Values, chunk
from collector.alarms.lifecycle import after
from collector.alarms.model import AlarmKey, AlarmState, Event, Kind, Link, Newest, Rule, State, Transition
from collector.alarms.places import BROKER, about_broker, holds_at
from collector.alarms.silence import LinkLost, Silence
from collector.alarms.threshold import Threshold
from collector.alarms.timers import Timers
from collector.domain.lab import Lab, Series
from collector.domain.problems import nearest

BEFORE_ALL = -(2**62)
"""The clock of a series from which nothing has come yet."""


class _Track:
    """One series: its clock, the last usable value, and its alarms in the order of the rules."""

    __slots__ = ("alarms", "clock_ms", "last_value", "place")

    def __init__(self, place: str, newest: Newest | None) -> None:
        self.place = place
        self.clock_ms = BEFORE_ALL if newest is None else newest.t_ms
        self.last_value = None if newest is None else newest.usable_value
        self.alarms: list[SeriesAlarm] = []


class Engine:
    """All alarms of one lab.

    `states` is what the journal kept; of a rule or series that is gone it is closed (see `opening`). `newest` is what
    the journal knows of each series that has readings; plain pairs (newest, newest usable) do as well.
    """

    def __init__(
        self,
        rules: Sequence[Rule],
        series: Sequence[Series],
        lab: Lab,
        states: Mapping[AlarmKey, AlarmState],
        newest: Mapping[int, Newest | tuple[int, int | None]],
        created_ms: Mapping[int, int],
        link: Link,
    ) -> None:
        self._rules = {rule.name: rule for rule in rules}
        self._lab = lab
        self._link = link
        self._ledger = Ledger()
        self._timers = Timers()
        known = {number: Newest(*pair) for number, pair in newest.items()}
        self._tracks = {one.id: _Track(one.place, known.get(one.id)) for one in series}
        self._silences: list[Silence] = []
        self._links: list[LinkLost] = []
        self._keys: dict[AlarmKey, Alarm] = {}
        for rule in rules:
            self._place(rule, series, states, known, created_ms)
        for alarm in self._keys.values():
            self._timers.add(alarm)
        self._set_clocks(states.values())
        self._gone = [state for key, state in states.items() if key not in self._keys and _stands(state)]
        self._closed: dict[AlarmKey, AlarmState] = {
            state.key: AlarmState(state.key, raised_ms=state.raised_ms, changed_ms=state.changed_ms)
            for state in self._gone
        }

    def _place(
        self,
        rule: Rule,
        series: Sequence[Series],
        states: Mapping[AlarmKey, AlarmState],
        newest: Mapping[int, Newest],
        created_ms: Mapping[int, int],
    ) -> None:
        """Make the alarms of one rule, one for each series it holds for."""
        if about_broker(rule):
            link_lost = LinkLost(rule, _saved(states, AlarmKey(rule.name, 0)), self._ledger, self._link)
            self._links.append(link_lost)
            self._keys[link_lost.key] = link_lost
        for one in series:
            if not holds_at(rule, one.measure, one.place):
                continue
            saved = _saved(states, AlarmKey(rule.name, one.id))
            alarm: SeriesAlarm
            if rule.kind is Kind.SILENT:
                heard = newest[one.id].usable_ms if one.id in newest else None
                alarm = Silence(rule, saved, self._ledger, heard, created_ms.get(one.id, 0))
                alarm.link_is(self._link)
                self._silences.append(alarm)
            else:
                alarm = Threshold(rule, saved, self._ledger)
            self._keys[alarm.key] = alarm
            self._tracks[one.id].alarms.append(alarm)

    def _set_clocks(self, states: Iterable[AlarmState]) -> None:
        for state in states:
            track = self._tracks.get(state.key.series)
            if track is not None:
                track.clock_ms = max(track.clock_ms, state.changed_ms)

    def opening(self, now_ms: int) -> list[Transition]:
        """Drain what the start itself changed: alarms that stood under a rule or series that is no more."""
        gone, self._gone = self._gone, []
        closed = [
            Transition(
                state.key,
                Event.RULE_REMOVED,
                state.state,
                after(state.state, Event.RULE_REMOVED, active=False),
                now_ms,
                state.since_ms,
                state.raised_ms,
                None,
                worst=state.worst,
            )
            for state in gone
        ]
        return self._ledger.take() + closed

    def clock_ms(self, series: int) -> int:
        """Readings of this series must be newer than this to be judged; BEFORE_ALL where none has come yet."""
        return self._tracks[series].clock_ms

    def late_mask(self, series: int, t_ms: Times) -> Mask:
        """Which readings, in the order given, are late: not newer than the clock or than one before them."""
        reached = np.maximum.accumulate(np.concatenate(([self._tracks[series].clock_ms], t_ms)))[:-1]
        late: Mask = t_ms <= reached
        return late

    def judge(self, series: int, t_ms: Times, value: Values, flags: Flags) -> list[Transition]:
        """Take in readings of one series, strictly increasing in time and none late (ValueError otherwise)."""
        if not t_ms.size:
            return []
        track = self._tracks[series]
        if t_ms[0] <= track.clock_ms or not _increasing(t_ms):
            raise ValueError(f"series {series}: readings to judge must be newer than the clock and each other")
        readings = chunk(t_ms, value, flags)
        for alarm in track.alarms:
            if not alarm.untouched_by(readings):
                alarm.judge(readings, track.last_value)
                self._timers.add(alarm)
        track.clock_ms = readings.last_ms
        if readings.last_value is not None:
            track.last_value = readings.last_value
        return self._ledger.take()

    def tick(self, now_ms: int) -> list[Transition]:
        """Let the timers end that are due. `now_ms` going back does nothing."""
        while (found := self._timers.next()) is not None and found[0] <= now_ms:
            self._end(found[1], found[0])
        return self._ledger.take()

    def _end(self, alarm: Alarm, due_ms: int) -> None:
        track = self._tracks.get(alarm.key.series)
        if track is None:
            alarm.fire(due_ms, None)
        else:
            track.clock_ms = max(track.clock_ms, due_ms)
            alarm.fire(due_ms, track.last_value)
        self._timers.add(alarm)

    def next_deadline_ms(self) -> int | None:
        """When the next timer ends; there is nothing to tick before."""
        found = self._timers.next()
        return None if found is None else found[0]

    def link_changed(self, up: bool, at_ms: int) -> list[Transition]:
        """The link to the broker went up or down. Silences that were due before it went down stand."""
        if up == self._link.up:
            return []
        self._link = Link(up, max(at_ms, self._link.since_ms))
        for silence in self._silences:
            if not up:
                self._end_until(silence, self._link.since_ms)
            silence.link_is(self._link)
            self._timers.add(silence)
        for link_lost in self._links:
            link_lost.link_is(self._link)
            self._end_until(link_lost, self._link.since_ms)
            self._timers.add(link_lost)
        return self._ledger.take()

    @property
    def link(self) -> Link:
        """The link to the broker as it is now."""
        return self._link

    def _end_until(self, alarm: Alarm, at_ms: int) -> None:
        while (due := alarm.due()) is not None and due <= at_ms:
            self._end(alarm, due)

    def acknowledge(self, rule: str, place: str, by: str, now_ms: int) -> tuple[list[Transition], str | None]:
        """Someone has seen the alarm `rule` at `place` ('broker' for the link) and sees to it. Returns what changed, or
        the reason in words why nothing did."""
        if rule not in self._rules:
            return [], f"no alarm is called '{rule}'{_guess(rule, self._rules)}"
        here = [alarm for alarm in self._keys.values() if alarm.rule.name == rule and self._at(alarm) == place]
        if not here:
            return [], self._not_here(rule, place)
        waiting = [alarm for alarm in here if after(alarm.state, Event.ACKNOWLEDGED, alarm.active) is not alarm.state]
        for alarm in waiting:
            alarm.acknowledge(now_ms, by)
        if waiting:
            return self._ledger.take(), None
        if any(alarm.state is State.ACKNOWLEDGED for alarm in here):
            return [], f"'{rule}' at {place} is acknowledged already"
        return [], f"'{rule}' at {place} is {here[0].state}; there is nothing to acknowledge"

    def _at(self, alarm: Alarm) -> str:
        track = self._tracks.get(alarm.key.series)
        return BROKER if track is None else track.place

    def _not_here(self, rule: str, place: str) -> str:
        places = sorted({self._at(alarm) for alarm in self._keys.values() if alarm.rule.name == rule})
        if not places:
            return f"'{rule}' holds nowhere in this lab"
        if place in self._lab.by_id:
            return f"'{rule}' does not hold at '{place}'; it holds at {', '.join(places)}"
        return f"no place is called '{place}'{_guess(place, places)}; '{rule}' holds at {', '.join(places)}"

    def changed_states(self) -> dict[AlarmKey, AlarmState]:
        """Drain the states that changed since the last call, to be written with the readings that changed them."""
        changed = self._closed | {key: alarm.saved() for key, alarm in self._ledger.touched.items()}
        self._closed = {}
        self._ledger.touched.clear()
        return changed

    def states(self) -> dict[AlarmKey, AlarmState]:
        """Every alarm as it is now."""
        return {key: alarm.saved() for key, alarm in self._keys.items()}


def _saved(states: Mapping[AlarmKey, AlarmState], key: AlarmKey) -> AlarmState:
    return states.get(key) or AlarmState(key)


def _stands(state: AlarmState) -> bool:
    return state.state is not State.NORMAL or state.active or state.deadline_ms is not None


def _increasing(t_ms: Times) -> bool:
    return t_ms.size == 1 or bool((t_ms[1:] > t_ms[:-1]).all())


def _guess(word: str, known: Iterable[str]) -> str:
    guess = nearest(word, known)
    return f"; did you mean '{guess}'?" if guess else ""
