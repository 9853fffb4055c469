"""Builds the pipeline of a lab, with all its memory, from the journal."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from collector.alarms.building import memory_ms as alarms_memory_ms
from collector.alarms.changes import difference, retire, signatures
from collector.alarms.chunk import Readings
from collector.alarms.contexts import Contexts
from collector.alarms.engine import Engine
from collector.alarms.model import Link, Newest, Rule
from collector.alarms.start import Kept, Running, Site
from collector.domain.lab import Channel, Lab, Series, SeriesKey, subjects
from collector.domain.probe_models import limits_for
from collector.domain.quality import memory_from_rows, no_memory
from collector.domain.readings import FUTURE_TOLERANCE_MS, USABLE, StoredReading, Why
from collector.domain.units import MEASURES
from collector.intake.inbox import Intake
from collector.pipeline.diary_book import book_of
from collector.pipeline.notices import Notices
from collector.pipeline.pipeline import Judging, Pipeline, make_series
from collector.store.journal import Journal
from collector.store.reading import NewestReading
from collector.store.tails import Tail as Recent
from collector.store.vocabulary import LINK_IS_DOWN, MetaKey
from collector.telling.desk import REMEMBER_MS


def build_pipeline(lab: Lab, rules: Sequence[Rule], journal: Journal, notices: Notices, now_ms: int) -> Pipeline:
    """All that a run must remember, from the journal: the same as if it had never stopped."""
    ids = _series_ids(lab, journal, now_ms)
    memory = _remember(lab, rules, journal, ids, now_ms)
    notices.remember(journal.notices(now_ms - REMEMBER_MS), journal.alarm_states())
    book = book_of(journal, lab)
    judging = _judging(lab, rules, journal, ids, memory, _link(journal.meta(), now_ms), book.contexts, now_ms)
    tails = {number: no_memory() for number in ids.values()}
    for number, rows in memory.recent.items():
        tails[number] = memory_from_rows(rows.t_ms, rows.value, rows.flag.astype(np.uint8), rows.why.astype(np.uint16))
    last = {
        n: StoredReading(series=n, t_ms=one.t_ms, value=one.value, flag=one.flag, raw=None, why=one.why)
        for n, one in memory.newest.items()
    }
    intake = Intake(lab, ids, dict(journal.arrivals()))
    return Pipeline(lab, ids, judging, tails, last, intake, notices, now_ms, book)


def rejudge(lab: Lab, rules: Sequence[Rule], journal: Journal, link: Link, now_ms: int) -> Judging:
    """Other rules for a running collector, which must have committed all it has judged: with what the journal holds
    they go on as after a stop, also those that look back further than the present ones."""
    ids = _series_ids(lab, journal, now_ms)
    memory = _remember(lab, rules, journal, ids, now_ms)
    return _judging(lab, rules, journal, ids, memory, link, book_of(journal, lab).contexts, now_ms)


class _Memory(NamedTuple):
    """What is known of each series."""

    newest: Mapping[int, NewestReading]
    recent: Mapping[int, Recent]
    since_ms: int
    """`recent` is complete from here on."""


def _remember(lab: Lab, rules: Sequence[Rule], journal: Journal, ids: Mapping[SeriesKey, int], now_ms: int) -> _Memory:
    """What is stored from beyond the present was stamped while a clock was wrong: remembered, it would make every real
    reading late until its time has come."""
    limit_ms = now_ms + FUTURE_TOLERANCE_MS
    newest = journal.newest(ids.values())
    ahead = {number for number, one in newest.items() if one.t_ms > limit_ms}
    memory_ms = max(_memory_ms(lab), alarms_memory_ms(rules, lab))
    since_ms = _since_ms([min(one.t_ms, limit_ms) for one in newest.values()], memory_ms, now_ms)
    recent = journal.recent(ids.values(), since_ms)
    for number in ahead:
        rows = _until(recent.pop(number), limit_ms) if number in recent else None
        del newest[number]
        if rows is not None and rows.t_ms.size:
            recent[number] = rows
            t_ms, value = int(rows.t_ms[-1]), float(rows.value[-1])
            held = None if np.isnan(value) else value
            newest[number] = NewestReading(
                series=number, t_ms=t_ms, value=held, flag=int(rows.flag[-1]), why=int(rows.why[-1])
            )
    return _Memory(newest, recent, since_ms)


def _until(rows: Recent, limit_ms: int) -> Recent:
    held = rows.t_ms <= limit_ms
    return Recent(rows.t_ms[held], rows.value[held], rows.flag[held], rows.raw[held], rows.why[held])


def _judging(
    lab: Lab,
    rules: Sequence[Rule],
    journal: Journal,
    ids: Mapping[SeriesKey, int],
    memory: _Memory,
    link: Link,
    contexts: Contexts,
    now_ms: int,
) -> Judging:
    """The engine with the states the journal kept, but for alarms that now watch something else: these are closed."""
    known, said = journal.meta().get(MetaKey.RULES), signatures(rules)
    change = difference(said if known is None else json.loads(known), said)
    limit_ms = now_ms + FUTURE_TOLERANCE_MS
    states = {
        key: replace(state, changed_ms=now_ms) if state.changed_ms > limit_ms else state
        for key, state in journal.alarm_states().items()
    }
    closed, fresh = retire(states, change.replaced, lab, link, now_ms)
    about = _subjects(lab, journal, now_ms)
    engine = Engine(
        rules,
        Site(
            lab,
            [*(make_series(ids[key], key.probe, channel, key.place) for key, channel in _channels(lab)), *about],
            journal.created_ms([one.id for one in about]),
        ),
        Kept(
            states=states | fresh,
            newest={number: _newest(one, memory.recent.get(number)) for number, one in memory.newest.items()},
            recent={number: _readings(rows) for number, rows in memory.recent.items()},
            since_ms=memory.since_ms,
        ),
        Running(link, contexts, now_ms),
    )
    return Judging(
        tuple(rules), engine, about, change, closed, fresh, json.dumps(said) if change or known is None else ""
    )


def _channels(lab: Lab) -> list[tuple[SeriesKey, Channel]]:
    return [
        (SeriesKey(probe=p.id, channel=c.key, measure=c.measure, place=p.place), c)
        for p in lab.probes
        for c in p.channels
    ]


def _series_ids(lab: Lab, journal: Journal, now_ms: int) -> dict[SeriesKey, int]:
    ids = {}
    for key, channel in _channels(lab):
        place = lab.by_id[key.place]
        unit = MEASURES[channel.measure].unit
        ids[key] = journal.series_id(key, unit, place.bin, place.tray, now_ms)
    return ids


def _subjects(lab: Lab, journal: Journal, now_ms: int) -> list[Series]:
    """Whole probes and places, with their numbers in the journal."""
    found = []
    for key in subjects(lab):
        place = lab.by_id[key.place]
        number = journal.series_id(key, "", place.bin, place.tray, now_ms)
        found.append(Series(id=number, probe=key.probe, channel="", measure="", place=key.place, unit=""))
    return found


def _readings(rows: Recent) -> Readings:
    flags, why = rows.flag.astype(np.uint8), rows.why.astype(np.uint16)
    return Readings(rows.t_ms, rows.value, flags, (why & np.uint16(Why.UNSEEN)) != 0)


def _memory_ms(lab: Lab) -> int:
    limits = (limits_for(c.measure, c.model, p.every_ms, c.unit) for p in lab.probes for c in p.channels)
    return max((one.memory_ms for one in limits), default=0)


def _since_ms(newest_ms: Sequence[int], memory_ms: int, now_ms: int) -> int:
    """From when on stored readings are needed: the memory before the newest of each series, so that one that lags has
    its own; but one silent for longer than the memory must not make a start read months."""
    end_ms = max(newest_ms, default=now_ms)
    return max(min(newest_ms, default=end_ms), end_ms - memory_ms) - memory_ms


def _newest(one: NewestReading, recent: Recent | None) -> Newest:
    """What the alarms must know of a series: its newest judged reading and the newest usable one."""
    if recent is None:
        usable = one.flag in USABLE and not one.why & Why.LATE
        return Newest(one.t_ms, one.t_ms if usable else None, one.value if usable else None)
    usable_at = np.flatnonzero(np.isin(recent.flag, USABLE))
    if not usable_at.size:
        return Newest(int(recent.t_ms[-1]))
    at = usable_at[-1]
    return Newest(int(recent.t_ms[-1]), int(recent.t_ms[at]), float(recent.value[at]))


def _link(meta: Mapping[str, str], now_ms: int) -> Link:
    """At a start there is no link; it has been down since the journal says so, else since now."""
    since = meta.get(MetaKey.LINK_MS, "")
    if meta.get(MetaKey.LINK) == LINK_IS_DOWN and since.isdigit():
        return Link(False, min(int(since), now_ms))
    return Link(False, now_ms)
