"""Builds the pipeline of a lab, with all its memory, from the journal."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from collector.alarms.building import memory_ms as alarms_memory_ms
from collector.alarms.changes import difference, retire, signatures
from collector.alarms.chunk import Readings, readings_of
from collector.alarms.engine import Engine
from collector.alarms.model import Link, Newest, Rule
from collector.alarms.start import Kept, Running, Site
from collector.domain.lab import Lab, Series, SeriesKey, subjects
from collector.domain.readings import FUTURE_TOLERANCE_MS, USABLE, StoredReading, Why
from collector.domain.units import MEASURES
from collector.pipeline.conditioning import key_of, longest_memory_ms, make_series
from collector.pipeline.diary_book import book_of
from collector.pipeline.habits import habits_of
from collector.pipeline.looking_back import LookedBackOn, look_back
from collector.pipeline.notices import Outlet
from collector.pipeline.pipeline import Judging, Pipeline, Remembered
from collector.store.journal import Journal
from collector.store.tables.reading import NewestReading
from collector.store.tables.tails import Tail
from collector.store.vocabulary import LINK_IS_DOWN, MetaKey
from collector.telling.desk import REMEMBER_MS


def build_pipeline(lab: Lab, rules: Sequence[Rule], journal: Journal, outlet: Outlet, now_ms: int) -> Pipeline:
    """All that a run must remember, from the journal: the same as if it had never stopped."""
    stored = _stored(lab, rules, journal, now_ms)
    book = book_of(journal, lab)
    known = Remembered(
        numbers=stored.numbers,
        quality={number: past.quality for number, past in stored.past.items()},
        spells={number: past.spells for number, past in stored.past.items()},
        newest_ms={number: past.newest.t_ms for number, past in stored.past.items()},
        last={
            n: StoredReading(
                series=n, t_ms=reading.t_ms, value=reading.value, flag=reading.flag, raw=None, why=reading.why
            )
            for n, reading in stored.newest.items()
        },
        arrivals=dict(journal.arrivals()),
        book=book,
        notices=journal.notices(now_ms - REMEMBER_MS),
        states=journal.alarm_states(),
    )
    running = Running(_link(journal.meta(), now_ms), book.contexts, now_ms)
    return Pipeline(lab, known, _judging(stored, journal, running), outlet, now_ms)


def rejudge(lab: Lab, rules: Sequence[Rule], journal: Journal, link: Link, now_ms: int) -> Judging:
    """Other rules for a running collector, which must have committed all it has judged: with what the journal holds
    they go on as after a stop, also those that look back further than the present ones."""
    running = Running(link, book_of(journal, lab).contexts, now_ms)
    return _judging(_stored(lab, rules, journal, now_ms), journal, running)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stored:
    """What the journal knows of each series of a lab, by its number, as far as these rules look back."""

    lab: Lab
    rules: Sequence[Rule]
    numbers: Mapping[SeriesKey, int]
    newest: Mapping[int, NewestReading]
    past: Mapping[int, LookedBackOn]
    since_ms: int
    """`past` is complete from here on."""


def _stored(lab: Lab, rules: Sequence[Rule], journal: Journal, now_ms: int) -> _Stored:
    """What is stored from beyond the present was stamped while a clock was wrong: remembered, it would make every real
    reading late until its time has come."""
    numbers = _numbers(lab, journal, now_ms)
    limit_ms = now_ms + FUTURE_TOLERANCE_MS
    newest = journal.newest(numbers.values())
    alarms_ms = alarms_memory_ms(rules, lab)
    memory_ms = max(longest_memory_ms(lab), alarms_ms)
    since_ms = _since_ms([min(reading.t_ms, limit_ms) for reading in newest.values()], memory_ms, now_ms)
    past = look_back(journal, numbers.values(), since_ms, limit_ms + 1, alarms_ms)
    for number in [number for number, reading in newest.items() if reading.t_ms > limit_ms]:
        del newest[number]
        if number in past:
            newest[number] = past[number].newest_reading(number)
    return _Stored(lab=lab, rules=rules, numbers=numbers, newest=newest, past=past, since_ms=since_ms)


def _judging(stored: _Stored, journal: Journal, running: Running) -> Judging:
    """The engine with the states the journal kept, but for alarms that now watch something else: these are closed."""
    known, said = journal.meta().get(MetaKey.RULES), signatures(stored.rules)
    change = difference(said if known is None else json.loads(known), said)
    now_ms = running.start_ms
    limit_ms = now_ms + FUTURE_TOLERANCE_MS
    states = {
        key: replace(state, changed_ms=now_ms) if state.changed_ms > limit_ms else state
        for key, state in journal.alarm_states().items()
    }
    closed, fresh = retire(states, change.replaced, stored.lab, running.link, now_ms)
    about = _subjects(stored.lab, journal, now_ms)
    engine = Engine(
        stored.rules,
        Site(stored.lab, [*_series(stored), *about], journal.created_ms([series.id for series in about])),
        Kept(
            states=states | fresh,
            newest={number: _newest(reading, stored.past.get(number)) for number, reading in stored.newest.items()},
            recent={number: _readings(past.rows()) for number, past in stored.past.items()},
            since_ms=stored.since_ms,
            habits=habits_of(journal.meta()),
        ),
        running,
    )
    return Judging(
        rules=tuple(stored.rules),
        engine=engine,
        subjects=about,
        change=change,
        closed=closed,
        states=fresh,
        said=json.dumps(said) if change or known is None else "",
    )


def _series(stored: _Stored) -> list[Series]:
    return [
        make_series(stored.numbers[key_of(probe, channel)], probe, channel)
        for probe in stored.lab.probes
        for channel in probe.channels
    ]


def _numbers(lab: Lab, journal: Journal, now_ms: int) -> dict[SeriesKey, int]:
    """What the journal calls each series of a channel; a new one gets its number here."""
    wanted = [
        (key_of(probe, channel), MEASURES[channel.measure].unit, place.bin, place.tray)
        for probe in lab.probes
        for place in (lab.by_id[probe.place],)
        for channel in probe.channels
    ]
    return dict(zip((key for key, *_ in wanted), journal.series_ids(wanted, now_ms), strict=True))


def _subjects(lab: Lab, journal: Journal, now_ms: int) -> list[Series]:
    """Whole probes and places, with their numbers in the journal."""
    keys = list(subjects(lab))
    places = [lab.by_id[key.place] for key in keys]
    wanted = [(key, "", place.bin, place.tray) for key, place in zip(keys, places, strict=True)]
    return [
        Series(id=number, probe=key.probe, channel="", measure="", place=key.place, unit="")
        for key, number in zip(keys, journal.series_ids(wanted, now_ms), strict=True)
    ]


def _readings(rows: Tail) -> Readings:
    return readings_of(rows.t_ms, rows.value, rows.flag, rows.why)


def _since_ms(newest_ms: Sequence[int], memory_ms: int, now_ms: int) -> int:
    """From when on stored readings are needed: the memory before the newest of each series, so that one that lags has
    its own; but one silent for longer than the memory must not make a start read months."""
    end_ms = max(newest_ms, default=now_ms)
    return max(min(newest_ms, default=end_ms), end_ms - memory_ms) - memory_ms


def _newest(reading: NewestReading, past: LookedBackOn | None) -> Newest:
    """What the alarms must know of a series: its newest judged reading and the newest usable one."""
    if past is not None:
        return past.newest
    usable = reading.flag in USABLE and not reading.why & (Why.LATE | Why.UNCALIBRATED)
    heard = usable or bool(reading.why & Why.NOT_THE_BEDDING)
    return Newest(reading.t_ms, reading.t_ms if heard else None, reading.value if usable else None)


def _link(meta: Mapping[str, str], now_ms: int) -> Link:
    """At a start there is no link; it has been down since the journal says so, else since now."""
    since = meta.get(MetaKey.LINK_MS, "")
    if meta.get(MetaKey.LINK) == LINK_IS_DOWN and since.isdigit():
        return Link(False, min(int(since), now_ms))
    return Link(False, now_ms)
