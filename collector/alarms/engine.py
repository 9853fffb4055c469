"""The alarm engine: readings and the passing of time in, changes of alarm states out. Values only: no clock, no store.

    engine = Engine(rules, Site(lab, series, created_ms), Kept(states=..., newest=...), Running(link, contexts))
    for each batch of readings:                  told = engine.judge_all({series: Readings(...), ...}, now_ms)
    when `next_deadline_ms()` has come:          transitions += engine.tick(now_ms)
    when the diary or a brew has changed:        transitions += engine.contexts_changed(contexts, now_ms)
    before the commit:                           states = engine.changed_states()

Alarms run on the time of the readings. A reading first lets timers end that were due before it, is then looked at, and
then lets those end that are due at its time; so readings alone (replay) and readings with ticks between them (live)
give the same transitions, and how readings are cut into chunks does not matter.

Each series has a clock: the newer of its newest judged reading and the last timer that a tick let end. What is not
newer than the clock is late: it may be stored, but no alarm looks at it. A caller that ticks the moment a timer ends
makes a reading late that is still on its way; ticking a few seconds behind the wall clock avoids that. So does a
context that changes, for the series of the alarms that heed it: what was noted counts for readings after it.

Comparisons between series are in `collector.alarms.kinds.reference`, silences of several series in
`collector.alarms.kinds.first_cause`: readings that came too late to take part in the first are marked UNSEEN by the
caller where `judge_all` says so, and given back as such when they are replayed or remembered.
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from collector.alarms.building import build, follow
from collector.alarms.chunk import Flags, Large, Mask, Readings, Small, Times, Values, chunk
from collector.alarms.contexts import Contexts
from collector.alarms.kinds.alarm import Alarm
from collector.alarms.kinds.first_cause import LinkLost, Tree
from collector.alarms.kinds.habit import Gap
from collector.alarms.kinds.silence import NEVER, Silence
from collector.alarms.lifecycle import after
from collector.alarms.model import AlarmKey, AlarmState, Event, Link, Rule, State, Transition
from collector.alarms.orders import Orders
from collector.alarms.start import BEFORE_ALL, Kept, Running, Site
from collector.alarms.timers import Timed, Timers
from collector.alarms.track import Track, heard_quietly


class Judged(NamedTuple):
    """What came of a batch of readings."""

    transitions: list[Transition]
    unseen: Mapping[int, Mask]
    """Series -> which of its readings are to be stored as UNSEEN; series without any are left out."""


class Engine:
    """All alarms of one lab."""

    def __init__(self, rules: Sequence[Rule], site: Site, kept: Kept, running: Running) -> None:
        ground = build(rules, site, kept, running)
        self._ground, self._link = ground, running.link
        self._ledger, self._tracks, self._keys, self._trees = ground.ledger, ground.tracks, ground.alarms, ground.trees
        self._timers = Timers()
        self._link_due_ms = NEVER
        """When the next timer of the link ends."""
        self._waiting: dict[Tree, dict[Silence, Times]] = {}
        self._orders = Orders(ground.alarms, site.lab, ground.places, {rule.name for rule in rules})
        self._probes: dict[str, set[int]] = {}
        for one in site.series:
            self._probes.setdefault(one.probe, set()).add(one.id)
        self._probes.pop("", None)
        for tree in self._trees:
            tree.link_is(self._link)
        for link_lost in ground.links:
            link_lost.link_is(self._link)
        self._time_all()
        self._gone = [state for key, state in kept.states.items() if key not in self._keys and _stands(state)]
        self._closed: dict[AlarmKey, AlarmState] = {
            state.key: AlarmState(key=state.key, raised_ms=state.raised_ms, changed_ms=state.changed_ms)
            for state in self._gone
        }

    def opening(self, now_ms: int) -> list[Transition]:
        """Drain what the start itself changed: alarms that stood under a rule or series that is no more, and those
        that the rules as they are now hold, or hold no longer."""
        gone, self._gone = self._gone, []
        closed = [
            Transition(
                key=state.key,
                event=Event.RULE_REMOVED,
                before=state.state,
                after=after(state.state, Event.RULE_REMOVED, active=False),
                t_ms=now_ms,
                since_ms=state.since_ms,
                raised_ms=state.raised_ms,
                value=None,
                worst=state.worst,
            )
            for state in gone
        ]
        for alarm in self._keys.values():
            alarm.open(now_ms)
        return self._ledger.take() + closed

    def clock_ms(self, series: int) -> int:
        """Readings of this series must be newer than this to be judged; BEFORE_ALL where none has come yet."""
        return self._tracks[series].clock_ms

    def newest_ms(self) -> int:
        """The newest of all clocks. What is noted in the diary should be taken up later than this, as some probes'
        clocks run ahead: what was judged already cannot heed it."""
        return max((track.clock_ms for track in self._tracks.values()), default=BEFORE_ALL)

    def late_mask(self, series: int, t_ms: Times) -> Mask:
        """Which readings, in the order given, are late: not newer than the clock or than one before them. `t_ms`: one
        time for each reading, in any order; the answer has its length."""
        reached = np.maximum.accumulate(np.concatenate(([self._tracks[series].clock_ms], t_ms)))[:-1]
        late: Mask = t_ms <= reached
        return late

    # Readings and time

    def judge(self, series: int, t_ms: Times, value: Values, flags: Flags) -> list[Transition]:
        """As `judge_all`, of one series: columns of one length, times in ms, values in its unit."""
        return self.judge_all({series: Readings(t_ms, value, flags)}).transitions

    def judge_all(self, batch: Mapping[int, Readings], now_ms: int = NEVER) -> Judged:
        """Take in what has come of several series: of each strictly increasing in time and none late (ValueError
        otherwise). What is in one batch is compared with each other whatever its order. Readings that say themselves
        what is UNSEEN of them (a replay) are believed. Silences heed what is later than `now_ms` when its time has
        come."""
        due_ms = self._link_due_ms
        if any(readings.t_ms.size and due_ms < readings.t_ms[-1] for readings in batch.values()):
            return self._judge_past_link(batch, due_ms, now_ms)
        given = [(self._tracks[number], number, readings) for number, readings in batch.items() if readings.t_ms.size]
        for track, number, readings in given:
            self._check(number, track, readings.t_ms)
        known = [(track, number, readings._replace(unseen=track.unseen(readings))) for track, number, readings in given]
        for track, _, readings in known:
            if track.reference is not None:
                track.reference.add(readings)
        for track, _, readings in known:
            self._judge(track, readings, now_ms)
        if self._waiting:
            self._run_trees(now_ms)
        for track, _, _ in known:
            if track.reference is not None:
                track.reference.forget()
        unseen = {n: one.unseen for _, n, one in known if one.unseen is not None and one.unseen.any()}
        return Judged(self._ledger.take(), unseen)

    def _judge_past_link(self, batch: Mapping[int, Readings], due_ms: int, now_ms: int) -> Judged:
        """Readings up to a timer of the link, then the timer, which all silences heed, then those after it."""
        cuts = {number: int(readings.t_ms.searchsorted(due_ms, "right")) for number, readings in batch.items()}
        before = self.judge_all({number: batch[number].part(slice(cut)) for number, cut in cuts.items()}, now_ms)
        for lost in self._ground.links:
            if lost.due() == due_ms:
                self._end(lost, due_ms)
        ended = self._ledger.take()
        then = self.judge_all({number: batch[number].part(slice(cut, None)) for number, cut in cuts.items()}, now_ms)
        unseen = {}
        for number in before.unseen.keys() | then.unseen.keys():
            sizes = cuts[number], batch[number].t_ms.size - cuts[number]
            masks = (told.unseen.get(number) for told in (before, then))
            parts = [np.zeros(n, np.bool_) if mask is None else mask for mask, n in zip(masks, sizes, strict=True)]
            unseen[number] = np.concatenate(parts)
        return Judged([*before.transitions, *ended, *then.transitions], unseen)

    def _check(self, series: int, track: Track, t_ms: Times) -> None:
        if t_ms[0] <= track.clock_ms or not _increasing(t_ms):
            raise ValueError(f"series {series}: readings to judge must be newer than the clock and each other")

    def _judge(self, track: Track, readings: Readings, now_ms: int) -> None:
        rows = chunk(readings.t_ms, readings.value, readings.flags, readings.out)
        if track.flip_ms <= rows.last_ms:
            self._judge_around(track, readings)
        else:
            self._judge_part(track, readings, rows)
        for silence, tree in track.silences:
            if (
                silence.alert
                or rows.last_ms >= min(tree.quiet_until_ms, now_ms + 1)
                or silence in tree.held
                or (silence.habit is not None and silence.habit.turns(rows.last_heard_ms))
            ):
                self._waiting.setdefault(tree, {})[silence] = rows.heard_ms
            else:
                heard_quietly(silence, rows)

    def _judge_part(self, track: Track, readings: Readings, rows: Small | Large) -> None:
        """Readings between which no context changes; `rows` are the same."""
        for alarm in track.alarms:
            if not alarm.untouched_by(rows):
                alarm.judge(rows, track.last_value)
                self._timers.add(alarm)
        for derived in track.derived:
            derived.take(readings)
            self._timers.add(derived)
        track.clock_ms = track.judged_ms = rows.last_ms
        if rows.last_value is not None:
            track.last_value = rows.last_value

    def _judge_around(self, track: Track, readings: Readings) -> None:
        """Readings between which contexts change: up to each change, then the change, then on."""
        start, end = 0, readings.t_ms.size
        while start < end:
            cut = min(end, int(readings.t_ms.searchsorted(track.flip_ms, "right")))
            if cut > start:
                part = readings.part(slice(start, cut))
                self._judge_part(track, part, chunk(part.t_ms, part.value, part.flags, part.out))
            if track.flip_ms <= readings.t_ms[-1]:
                track.pass_until(track.flip_ms)
            start = cut
        for alarm in (*track.alarms, *track.derived):
            self._timers.add(alarm)

    def _run_trees(self, now_ms: int) -> None:
        for tree, times in self._waiting.items():
            tree.run(min(now_ms, max(clock.judged_ms for clock in tree.clocks)), times)
            self._timers.add(tree)
        self._waiting.clear()

    def tick(self, now_ms: int) -> list[Transition]:
        """Let the timers end that are due. `now_ms` going back does nothing."""
        while (found := self._timers.next()) is not None and found[0] <= now_ms:
            self._end(found[1], found[0])
        return self._ledger.take()

    def _end(self, timed: Timed, due_ms: int) -> None:
        if isinstance(timed, Tree):
            timed.run(due_ms)
            timed.end_for_people(due_ms)
        else:
            self._end_alarm(timed, due_ms)
        self._timers.add(timed)

    def _end_alarm(self, alarm: Alarm, due_ms: int) -> None:
        track = self._tracks.get(alarm.key.series)
        if track is None:
            alarm.end(due_ms, None)
        elif alarm.end(due_ms, track.last_value):
            track.clock_ms = max(track.clock_ms, due_ms)
            track.set_flip()
        if isinstance(alarm, LinkLost):
            self._time_all()

    def next_deadline_ms(self) -> int | None:
        """When the next timer ends; there is nothing to tick before."""
        found = self._timers.next()
        return None if found is None else found[0]

    def link_changed(self, up: bool, at_ms: int) -> list[Transition]:
        """The link to the broker went up or down. Silences that were due before it went down stand."""
        if up == self._link.up:
            return []
        self._link = Link(up, max(at_ms, self._link.since_ms))
        for tree in self._trees:
            if not up or tree.held:
                tree.run(self._link.since_ms)
            tree.link_is(self._link)
        for link_lost in self._ground.links:
            link_lost.link_is(self._link)
            while (due := link_lost.due()) is not None and due <= self._link.since_ms:
                link_lost.fire(due)
        self._time_all()
        return self._ledger.take()

    @property
    def link(self) -> Link:
        """The link to the broker as it is now."""
        return self._link

    def contexts_changed(self, contexts: Contexts, now_ms: int) -> list[Transition]:
        """Something was noted, and counts from `now_ms` on (ValueError where a reading past that has been judged: see
        `newest_ms`). What follows from it comes with the readings and ticks that pass that time."""
        if now_ms <= self.newest_ms():
            raise ValueError("what is noted counts only from after all that has been judged")
        follow(self._ground, contexts)
        for tree in self._trees:
            tree.look_out(tree.clock_ms())
        self._time_all()
        return self._ledger.take()

    def _time_all(self) -> None:
        found = [due for lost in self._ground.links if (due := lost.due()) is not None]
        self._link_due_ms = min(found, default=NEVER)
        for alarm in self._keys.values():
            if alarm.key not in self._ground.tree_of:
                self._timers.add(alarm)
        for tree in self._trees:
            self._timers.add(tree)

    # What people order. Each returns what changed, or the reason in words why nothing did.

    def acknowledge(
        self, rule: str, place: str, by: str, now_ms: int, raised_ms: int | None = None
    ) -> tuple[list[Transition], str | None]:
        """Someone has seen the alarm `rule` at `place` ('broker' for the link) and sees to it; one that latched and
        whose condition has gone is reset. `raised_ms`: only the occurrence that was annunciated then."""
        return self._ordered(self._orders.acknowledge(rule, place, by, now_ms, raised_ms))

    def shelve(
        self, rule: str, place: str, until_ms: int, reason: str, by: str, now_ms: int
    ) -> tuple[list[Transition], str | None]:
        """Nobody is told of the alarm until then."""
        return self._ordered(self._orders.shelve(rule, place, until_ms, reason, by, now_ms))

    def unshelve(self, rule: str, place: str, by: str, now_ms: int) -> tuple[list[Transition], str | None]:
        """People are told of it again."""
        return self._ordered(self._orders.unshelve(rule, place, by, now_ms))

    def set_service(
        self, place_or_probe: str, in_service: bool, by: str, now_ms: int, reason: str = ""
    ) -> tuple[list[Transition], str | None]:
        """Take all alarms of a place, with its trays, or of a probe out of service, or put them back."""
        return self._ordered(self._orders.set_service(place_or_probe, in_service, by, now_ms, self._probes, reason))

    def _ordered(self, problem: str | None) -> tuple[list[Transition], str | None]:
        if problem is None:
            self._time_all()
        return self._ledger.take(), problem

    # For the journal

    def changed_states(self) -> dict[AlarmKey, AlarmState]:
        """Drain the states that changed since the last call, to be written with the readings that changed them."""
        changed = self._closed | {key: alarm.saved() for key, alarm in self._ledger.touched.items()}
        self._closed = {}
        self._ledger.touched.clear()
        return changed

    def changed_habits(self) -> dict[AlarmKey, tuple[Gap, ...]] | None:
        """What is known of all gaps where that has changed since the last call, to be written with the readings."""
        leaves = [one for tree in self._trees for one in tree.silences if one.habit is not None]
        habits = {one.key: one.habit for one in leaves if one.habit is not None}
        if not any(habit.changed for habit in habits.values()):
            return None
        for habit in habits.values():
            habit.changed = False
        return {key: tuple(habit.gaps) for key, habit in habits.items() if habit.gaps}

    def states(self) -> dict[AlarmKey, AlarmState]:
        """Every alarm as it is now."""
        return {key: alarm.saved() for key, alarm in self._keys.items()}


def _stands(state: AlarmState) -> bool:
    return state.state is not State.NORMAL or state.active or state.deadline_ms is not None


def _increasing(t_ms: Times) -> bool:
    return t_ms.size == 1 or bool((t_ms[1:] > t_ms[:-1]).all())
