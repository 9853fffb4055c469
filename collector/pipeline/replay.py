"""Any stored stretch judged anew by a rule set: what people would have been told.

The same code as live, fed in large chunks: raw readings are calibrated by today's calibrations, checked, and judged by
an engine that starts with every alarm normal. Readings that came late were not judged then and are not judged now; the
link to the broker goes up and down when it did. What a reading's own clock said of it (late, ahead) is kept from then.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from collector.alarms.chunk import Readings, out_of
from collector.alarms.engine import Engine
from collector.alarms.model import LINK_SERIES, Link, Rule, Transition
from collector.alarms.start import Kept, Running, Site
from collector.domain.lab import Lab, Series, SeriesKey, subjects
from collector.domain.readings import Why
from collector.pipeline.conditioning import Conditioner, conditioners_of, longest_memory_ms, memories_of
from collector.pipeline.diary_book import contexts_of
from collector.pipeline.lifted import Checked, Lifted, spells_of
from collector.pipeline.own_series import add_shares, shares
from collector.store.reader import Reader
from collector.store.tables.columns import Columns
from collector.store.tables.series_rows import StoredSeries

Progress = Callable[[float], None]
"""Called with the part of the stretch that is done, 0 to 1."""
_FROM_THEN = np.uint16(Why.FUTURE | Why.ARRIVAL)
_LATE = np.uint16(Why.LATE)
_UNSEEN = np.uint16(Why.UNSEEN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Replayed:
    """What the rule set made of the stretch: transitions in the order of their times, and on what they rest."""

    transitions: tuple[Transition, ...]
    series: dict[int, Series]
    readings: int
    since_ms: int
    until_ms: int


def replay(
    reader: Reader, lab: Lab, rules: Sequence[Rule], since_ms: int, until_ms: int, progress: Progress | None = None
) -> Replayed:
    """Run the readings from `since_ms` on, before `until_ms`, through `rules`."""
    conditioners, lifted = _conditioners(reader, lab, since_ms)
    series = {number: conditioner.series for number, conditioner in conditioners.items()}
    about = _subjects(reader, lab)
    wanted = shares(lab, {_key(known): number for number, known in series.items()})
    engine = Engine(
        rules,
        Site(lab, [*series.values(), *about.values()], dict.fromkeys(about, since_ms)),
        Kept(),
        Running(_link_at(reader, since_ms, until_ms), contexts_of(reader, lab), since_ms),
    )
    engine.opening(since_ms)
    transitions: list[Transition] = []
    count = 0
    for chunk, events in _with_events(reader, since_ms, until_ms):
        for at_ms, up in events:
            transitions += engine.tick(at_ms)
            if up:  # a start or a reconnect that nobody noticed going: silences count anew from here
                transitions += engine.link_changed(False, at_ms)
            transitions += engine.link_changed(up, at_ms)
        if chunk is not None:
            count += chunk.t_ms.size
            anew = {
                number: _judged_anew(conditioners[number], t_ms, raw, why)
                for number, t_ms, raw, why in _by_series(chunk)
                if number in conditioners
            }
            lifted.mark({number: judged.checked for number, judged in anew.items()})
            batch = {number: judged.readings() for number, judged in anew.items()}
            add_shares(batch, wanted, engine.clock_ms)
            transitions += engine.judge_all(batch).transitions
            transitions += engine.tick(chunk.until_ms - 1)
            if progress is not None:
                progress((chunk.until_ms - since_ms) / max(1, until_ms - since_ms))
    transitions += engine.tick(until_ms - 1)
    transitions.sort(key=lambda transition: transition.t_ms)
    return Replayed(
        transitions=tuple(transitions),
        series={**series, **about, 0: LINK_SERIES},
        readings=count,
        since_ms=since_ms,
        until_ms=until_ms,
    )


def _conditioners(reader: Reader, lab: Lab, since_ms: int) -> tuple[dict[int, Conditioner], Lifted]:
    """Of the series of today's lab that the journal knows, with what quality checks remember from before it."""
    numbers = {_key(stored): stored.id for stored in reader.series()}
    recent = reader.recent(numbers.values(), since_ms - longest_memory_ms(lab), since_ms)
    lifted = Lifted(lab, numbers, {number: spells_of(rows) for number, rows in recent.items()}, {})
    return conditioners_of(lab, numbers, memories_of(recent)), lifted


class _Anew(NamedTuple):
    """Readings of one series judged anew."""

    value: NDArray[np.float64]
    unseen: NDArray[np.bool_]
    checked: Checked

    def readings(self) -> Readings:
        """As alarms take them."""
        checked = self.checked
        return Readings(checked.t_ms, self.value, checked.flags, self.unseen, out_of(checked.why))


def _judged_anew(
    conditioner: Conditioner, t_ms: NDArray[np.int64], raw: NDArray[np.float64], then: NDArray[np.uint16]
) -> "_Anew":
    """Values and flags, as they would be stored today: of one series, an element for each reading. `then`: the reasons
    on record; what was too late to be compared then is not compared."""
    value, found = conditioner.values(t_ms, raw, then & _FROM_THEN)
    flags, why = conditioner.judge(t_ms, raw, value, found)
    return _Anew(value, (then & _UNSEEN) != 0, Checked(t_ms, flags, why, then))


def _subjects(reader: Reader, lab: Lab) -> dict[int, Series]:
    """Whole probes and places that the journal knows: what alarms about these are told by."""
    wanted = set(subjects(lab))
    return {stored.id: stored.as_series() for stored in reader.series() if _key(stored) in wanted}


def _key(series: StoredSeries | Series) -> SeriesKey:
    return SeriesKey(probe=series.probe, channel=series.channel, measure=series.measure, place=series.place)


def _link_at(reader: Reader, since_ms: int, until_ms: int) -> Link:
    """How the link was when the stretch began: as the last note before it says, else the opposite of the first one in
    it, else up (readings came from somewhere)."""
    before = reader.link_changes(0, since_ms + 1)
    if before:
        return Link(before[-1][1], before[-1][0])
    after = reader.link_changes(since_ms + 1, until_ms)
    return Link(not after[0][1] if after else True, since_ms)


def _with_events(
    reader: Reader, since_ms: int, until_ms: int
) -> Iterator[tuple[Columns | None, list[tuple[int, bool]]]]:
    """Chunks of readings cut where the link went up or down, each with what happened just before it."""
    edges = reader.link_changes(since_ms + 1, until_ms)
    start = since_ms
    before: list[tuple[int, bool]] = []
    for at_ms, up in [*edges, (until_ms, True)]:
        for chunk in reader.columns(start, at_ms):
            yield chunk, before
            before = []
        start, before = at_ms, [*before, (at_ms, up)]
    yield None, before[:-1]


def _by_series(
    chunk: Columns,
) -> Iterator[tuple[int, NDArray[np.int64], NDArray[np.float64], NDArray[np.uint16]]]:
    """The readings of each series of a chunk, without late ones."""
    t_ms, series, raw, why = chunk.t_ms, chunk.series, chunk.raw, chunk.why
    late = (why & _LATE) != 0
    if late.any():
        on_time = ~late
        t_ms, series, raw, why = t_ms[on_time], series[on_time], raw[on_time], why[on_time]
    order = np.argsort(series, kind="stable")
    ordered = series[order]
    edges = np.flatnonzero(np.diff(ordered, prepend=-1, append=-1))
    for start, end in pairwise(edges.tolist()):
        rows = order[start:end]
        yield int(ordered[start]), t_ms[rows], raw[rows], why[rows]
