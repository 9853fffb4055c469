"""One way in: what the intake placed is calibrated, checked, judged and turned into rows, states and messages.

Everything lands in `batch`; the daemon commits it whole and only then acknowledges. All memory here can be rebuilt
from the journal, which is what a restart does.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from collector.alarms.changes import RuleChange
from collector.alarms.chunk import Readings, out_of
from collector.alarms.engine import Engine
from collector.alarms.model import LINK_SERIES, AlarmKey, AlarmState, Rule, Transition
from collector.alarms.start import BEFORE_ALL
from collector.domain.lab import Lab, Series, SeriesKey
from collector.domain.quality import QualityMemory
from collector.domain.readings import FUTURE_TOLERANCE_MS, Flag, StoredReading, Why
from collector.intake.allowance import CHANGES, Allowances
from collector.intake.inbox import Column, Intake, Oddity, finite_or_none
from collector.pipeline.conditioning import conditioners_of
from collector.pipeline.diary_book import DiaryBook
from collector.pipeline.habits import written
from collector.pipeline.lab_facts import LabFacts
from collector.pipeline.lifted import Checked, Lifted, Spells
from collector.pipeline.notices import Notices, Outlet, ToldSoFar
from collector.pipeline.own_series import add_shares, shares
from collector.store.batch import Batch, HistoryRow, NewMessage, RejectedRow, Unplaced
from collector.store.requests import (
    Acknowledge,
    AlarmOrder,
    BookRequest,
    ProbeIn,
    ProbeOut,
    Reply,
    Shelve,
    Unshelve,
)
from collector.store.vocabulary import LINK_IS_DOWN, LINK_IS_UP, Counter, EventKind, MetaKey
from collector.telling.notice import Notice


@dataclass(frozen=True, slots=True, kw_only=True)
class Judging:
    """Rules in force from one moment on, with their engine, and what became of the rules before them."""

    rules: Sequence[Rule]
    engine: Engine
    subjects: Sequence[Series]
    """Whole probes and places that alarms are about."""
    change: RuleChange
    closed: Sequence[Transition]
    """What stood under rules that now watch something else."""
    states: Mapping[AlarmKey, AlarmState]
    """Where that leaves their alarms."""
    said: str
    """For the journal, by which the next change is known; empty where it holds it already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ready:
    """Readings of one series in the order of their times, calibrated and checked, an element for each in all arrays.
    `late`: those that came too late to be judged."""

    series: int
    t_ms: NDArray[np.int64]
    raw: NDArray[np.float64]
    value: NDArray[np.float64]
    flags: NDArray[np.uint8]
    why: NDArray[np.uint16]
    late: "_Ready | None" = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Remembered:
    """What a pipeline knows from before. By the number of a series in the journal: `quality`, what the checks remember;
    `spells`, when it was out of its bedding; `newest_ms`, up to when it was judged; `last`, its newest reading."""

    numbers: Mapping[SeriesKey, int]
    quality: Mapping[int, QualityMemory]
    spells: Mapping[int, Spells]
    newest_ms: Mapping[int, int]
    last: Mapping[int, StoredReading]
    arrivals: Mapping[int, bytes]
    """Packet id -> digest of messages stamped at arrival, which may come again."""
    book: DiaryBook
    notices: Iterable[Notice]
    states: Mapping[AlarmKey, AlarmState]


class Pipeline:
    """Owns the intake, the memory of the quality checks, the alarm engine and the desk of one lab."""

    def __init__(self, lab: Lab, known: Remembered, judging: Judging, outlet: Outlet, now_ms: int) -> None:
        self.lab, self.numbers, self.book = lab, known.numbers, known.book
        self.intake = Intake(lab, known.numbers, known.arrivals)
        self.batch = Batch()
        self.engine = judging.engine
        self._conditioners = conditioners_of(lab, known.numbers, known.quality)
        self._lifted = Lifted(lab, known.numbers, known.spells, known.newest_ms)
        self._shares = shares(lab, known.numbers)
        self._last = dict(known.last)
        self._changes = Allowances(CHANGES)
        self._link_ms = BEFORE_ALL
        self._unjudged: set[int] = set()
        self._rules = {rule.name: rule for rule in judging.rules}
        self._series = {
            0: LINK_SERIES,
            **{number: conditioner.series for number, conditioner in self._conditioners.items()},
        }
        self._series |= {subject.id: subject for subject in judging.subjects}
        told = ToldSoFar(notices=known.notices, states=known.states, rules=self._rules, series=self._series)
        self._notices = Notices(lab, outlet, told, now_ms)
        self.judge_by(judging, now_ms)

    def judge_by(self, judging: Judging, now_ms: int) -> None:
        """From here on these rules hold. What they close, and that they changed, is recorded together."""
        self.engine = judging.engine
        self._rules |= {rule.name: rule for rule in judging.rules}
        self._series |= {subject.id: subject for subject in judging.subjects}
        self._tell(judging.closed, now_ms)
        self._tell(self.engine.opening(now_ms), now_ms)
        self._rules = {rule.name: rule for rule in judging.rules}
        self._notices.follow(self._rules)
        self.batch.states.update(judging.states)
        self._settle_states()
        if judging.change:
            self.batch.events.append((now_ms, EventKind.RULES_CHANGED, str(judging.change)))
        if judging.said:
            self.batch.meta[MetaKey.RULES] = judging.said

    def settle(self, now_ms: int) -> None:
        """Judge all that has arrived since the last call."""
        ready = [self._settle_series(series, column, now_ms) for series, column in self.intake.take().items()]
        on_time = {settled.series: settled for settled in ready if settled.t_ms.size}
        self._lifted.mark({n: Checked(settled.t_ms, settled.flags, settled.why) for n, settled in on_time.items()})
        batch = {
            n: Readings(settled.t_ms, settled.value, settled.flags, out=out_of(settled.why))
            for n, settled in on_time.items()
        }
        add_shares(batch, self._shares, self.engine.clock_ms)
        judged = self.engine.judge_all(batch, now_ms)
        self._remember_unstored({number: settled for number, settled in batch.items() if number not in on_time})
        for number, settled in on_time.items():  # first, so that of two equal times the judged one takes the key
            if number in judged.unseen:
                settled.why[judged.unseen[number]] |= np.uint16(Why.UNSEEN)
            self._keep(settled)
        for settled in ready:
            if settled.late is not None:
                self._keep(settled.late)
                self._count(Counter.LATE, settled.late.t_ms.size)
        self._tell(judged.transitions, now_ms)
        self._settle_oddities()
        self._settle_states()

    def take_own(self, values: Mapping[int, float], now_ms: int) -> None:
        """What the collector knows of itself at this moment: judged like readings, and not stored."""
        moment = np.array([now_ms], np.int64)
        batch = {
            number: Readings(moment, np.array([value]), np.array([Flag.PASS], np.uint8))
            for number, value in values.items()
            if self.engine.clock_ms(number) < now_ms
        }
        self._remember_unstored(batch)
        self._tell(self.engine.judge_all(batch, now_ms).transitions, now_ms)
        self._settle_states()

    def _remember_unstored(self, batch: Mapping[int, Readings]) -> None:
        """For messages, which say what the newest reading was."""
        for number, readings in batch.items():
            value, flag = finite_or_none(readings.value[-1:].tolist())[0], int(readings.flags[-1])
            self._last[number] = StoredReading(
                series=number, t_ms=int(readings.t_ms[-1]), value=value, flag=flag, raw=value, why=0
            )

    def tick(self, now_ms: int) -> None:
        """Let timers run out that no reading will move."""
        self._tell(self.engine.tick(now_ms), now_ms)
        self._settle_states()

    def link_changed(self, up: bool, now_ms: int, text: str) -> None:
        """The link to the broker came or went. Each change has a moment of its own, so that a replay finds all of them
        and in their order, also where the clock was set back a little."""
        follows = now_ms <= self._link_ms < now_ms + FUTURE_TOLERANCE_MS
        at_ms = self._link_ms = self._link_ms + 1 if follows else now_ms
        self._tell(self.engine.link_changed(up, at_ms), now_ms)
        self.batch.events.append((at_ms, EventKind.LINK_UP if up else EventKind.LINK_DOWN, text))
        self.batch.meta[MetaKey.LINK] = LINK_IS_UP if up else LINK_IS_DOWN
        self.batch.meta[MetaKey.LINK_MS] = str(at_ms)
        self._settle_states()

    def order(self, order: AlarmOrder, now_ms: int) -> Reply:
        """Take up what a person orders of alarms."""
        engine = self.engine
        match order:
            case Acknowledge(rule=rule, place=place, by=by, raised_ms=raised_ms):
                found, done = engine.acknowledge(rule, place, by, now_ms, raised_ms), "acknowledged"
            case Shelve(rule=rule, place=place, by=by, until_ms=until_ms, reason=reason):
                found, done = engine.shelve(rule, place, until_ms, reason, by, now_ms), "shelved"
            case Unshelve(rule=rule, place=place, by=by):
                found, done = engine.unshelve(rule, place, by, now_ms), "off the shelf"
            case ProbeOut(probe=probe, by=by, reason=reason):
                found, done = engine.set_service(probe, False, by, now_ms, reason), "out of service"
            case ProbeIn(probe=probe, by=by):
                found, done = engine.set_service(probe, True, by, now_ms), "in service"
        transitions, problem = found
        self._tell(transitions, now_ms)
        self._settle_states()
        return Reply(True, done) if problem is None else Reply(False, problem)

    def note(self, request: BookRequest, at_ms: int, now_ms: int) -> Reply:
        """Take up what a person asked the diary to hold.

        It counts from a moment after everything judged so far, so that judging it all again later, when the entry is
        known from the start, gives the same.
        """
        taken_ms = max(now_ms, self.engine.newest_ms() + 1)
        taken = self.book.take(request, at_ms, taken_ms)
        if taken.entry is not None:
            self.batch.diary[taken.entry.id] = taken.entry
        if taken.brew is not None:
            self.batch.brews[taken.brew.id] = taken.brew
        if taken.reply.done:
            self._tell(self.engine.contexts_changed(self.book.contexts, taken_ms), now_ms)
            self._settle_states()
        return taken.reply

    def _settle_series(self, series: int, column: Column, now_ms: int) -> "_Ready":
        """Calibrate and check what has come of one series, and set aside what is late."""
        t_ms = np.array(column.t_ms, dtype=np.int64)
        raw = np.array(column.raw, dtype=np.float64)
        why = np.array(column.why, dtype=np.uint16)
        if t_ms.size > 1 and not bool(np.all(t_ms[1:] > t_ms[:-1])):
            order = np.argsort(t_ms, kind="stable")
            t_ms, raw, why = t_ms[order], raw[order], why[order]
        conditioner = self._conditioners[series]
        value, why = conditioner.values(t_ms, raw, why)
        late = self.engine.late_mask(series, t_ms) | self._raves(series, now_ms)
        late_ones: _Ready | None = None
        if late.any():
            flags, late_why = conditioner.judge_late(raw[late], value[late], why[late])
            late_ones = _Ready(
                series=series, t_ms=t_ms[late], raw=raw[late], value=value[late], flags=flags, why=late_why
            )
            t_ms, raw, value, why = t_ms[~late], raw[~late], value[~late], why[~late]
        flags = np.empty(0, np.uint8)
        if t_ms.size:
            flags, why = conditioner.judge(t_ms, raw, value, why)
        return _Ready(series=series, t_ms=t_ms, raw=raw, value=value, flags=flags, why=why, late=late_ones)

    def _raves(self, series: int, now_ms: int) -> bool:
        """Whether alarms of this series change so often that its readings are stored unjudged for now."""
        raves = self._changes.left(series, now_ms) <= 0
        if raves and series not in self._unjudged:
            known = self._series[series]
            said = f"{known.probe} {known.channel} at {known.place}: its readings are kept and not judged for now"
            self.batch.events.append((now_ms, EventKind.TOO_MANY_ALARM_CHANGES, said))
        (self._unjudged.add if raves else self._unjudged.discard)(series)
        return raves

    def _keep(self, ready: "_Ready") -> None:
        values, raws = finite_or_none(ready.value.tolist()), finite_or_none(ready.raw.tolist())
        numbers = [ready.series] * ready.t_ms.size
        columns = (ready.t_ms.tolist(), numbers, values, ready.flags.tolist(), raws, ready.why.tolist())
        self.batch.rows.extend(zip(*columns, strict=True))
        newest, last = self.batch.rows[-1], self._last.get(ready.series)
        if last is None or newest[0] > last.t_ms:
            t, series, said, flag, raw_said, reasons = newest
            self._last[series] = StoredReading(series=series, t_ms=t, value=said, flag=flag, raw=raw_said, why=reasons)

    def _tell(self, transitions: Sequence[Transition], now_ms: int) -> None:
        for transition in transitions:
            series = self._series.get(transition.key.series, LINK_SERIES)
            self._changes.spend(transition.key.series, 1, now_ms)
            rule = self._rules.get(transition.key.rule)
            self.batch.transitions.append(
                HistoryRow(
                    transition=transition,
                    place=series.place,
                    measure=series.measure,
                    priority=rule.priority if rule else "",
                    noticed_ms=now_ms,
                )
            )
            if rule is not None:
                self._notices.take(transition, rule, series, now_ms)
        self.batch.notices.update(self._notices.changed())

    def release(self, now_ms: int, gathering: bool = False) -> None:
        """Tell people what they are to hear now. `gathering`: a backlog is coming in, which is told together."""
        facts = LabFacts(
            lab=self.lab,
            last=self._last,
            known=self._series,
            states=self.engine.states,
            sources=self._notices.sources,
            rules=self._rules,
            diary=self.book.entries,
        )
        self.batch.messages.extend(self._notices.release(now_ms, gathering, facts))
        self.batch.notices.update(self._notices.changed())

    def report(
        self, messages: Sequence[NewMessage], meta: Mapping[MetaKey, str], told: Sequence[tuple[str, str]], now_ms: int
    ) -> None:
        """Digests and weekly reports go out. `told`: role and key of each; what was left for it is told by it."""
        self.batch.messages.extend(messages)
        self.batch.meta.update(meta)
        for role, key in told:
            self._notices.desk.digested(role, key, now_ms)
        self.batch.notices.update(self._notices.changed())

    def _settle_states(self) -> None:
        self.batch.states.update(self.engine.changed_states())
        habits = self.engine.changed_habits()
        if habits is not None:
            self.batch.meta[MetaKey.HABITS] = written(habits)

    def _settle_oddities(self) -> None:
        intake, batch = self.intake, self.batch
        for name, number in intake.counts.items():
            self._count(name, number)
        intake.counts.clear()
        for oddity in intake.oddities:
            if oddity.reason:
                row = RejectedRow(t_ms=oddity.t_ms, topic=oddity.topic, reason=oddity.reason, first_bytes=oddity.sample)
                batch.rejected.append(row)
            else:
                self._add_unplaced(oddity)
        intake.oddities.clear()
        batch.forget_oldest()
        batch.arrivals.extend(intake.new_arrivals)
        intake.new_arrivals.clear()

    def _add_unplaced(self, oddity: Oddity) -> None:
        key, unplaced = (oddity.topic, oddity.name), self.batch.unplaced
        known = unplaced.pop(key, None)
        first_ms, count = (known.first_ms, known.count) if known is not None else (oddity.t_ms, 0)
        unplaced[key] = Unplaced(first_ms=first_ms, last_ms=oddity.t_ms, count=count + 1, sample=oddity.sample)

    def _count(self, name: Counter, number: int) -> None:
        self.batch.counts[name] = self.batch.counts.get(name, 0) + number

    @property
    def urgent(self) -> bool:
        """Whether something waits that a person should hear of at once."""
        batch = self.batch
        return bool(batch.transitions or batch.messages or batch.replies or batch.events)

    def start_batch(self) -> None:
        """The last one is safe in the journal; begin the next."""
        self.batch = Batch()
