"""The alarms of a digest: of one trouble at one place the worst speaks, as in the messages."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from collector.alarms.kinds.kind import About
from collector.alarms.kinds.table import kind_of
from collector.alarms.model import Rule
from collector.alarms.urgency import rank
from collector.domain.lab import Series
from collector.telling.desk_inside import speaking_for


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """An alarm that stands this morning."""

    rule: Rule
    series: Series
    since_ms: int
    acknowledged: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """An alarm that came and went since the last digest."""

    rule: Rule
    series: Series
    from_ms: int
    to_ms: int


def worst(found: Iterable[Standing]) -> list[Standing]:
    """The most urgent first, without what stands inside a worse alarm of the same place, and without what says the same
    of the same readings."""
    ranked = sorted(found, key=lambda alarm: rank(alarm.rule.priority))
    stands = [(alarm.rule, alarm.series.place) for alarm in ranked]
    kept: dict[tuple[int, str], Standing] = {}
    for alarm in ranked:
        if not speaking_for(alarm.rule, alarm.series.place, stands):
            of_level = kind_of(alarm.rule).about is About.LEVEL and alarm.series.measure
            same = alarm.rule.kind if of_level else alarm.rule.name
            kept.setdefault((alarm.series.id, same), alarm)
    return list(kept.values())


def worst_past(past: Sequence[Past], standing: Iterable[Standing]) -> list[Past]:
    """Without what came and went inside a worse alarm of the same place, or so soon after its end that its message
    would have waited."""
    spans = [_Span(ended.rule, ended.series.place, ended.from_ms, ended.to_ms) for ended in past]
    spans += [_Span(alarm.rule, alarm.series.place, alarm.since_ms, None) for alarm in standing]
    return [ended for ended in past if not speaking_for(ended.rule, ended.series.place, _around(ended, spans))]


class _Span(NamedTuple):
    rule: Rule
    place: str
    from_ms: int
    to_ms: int | None
    """None: it stands yet."""


def _around(ended: Past, spans: Iterable[_Span]) -> Iterator[tuple[Rule, str]]:
    """What lasted from before it until it was over, with the while for which it gives way."""
    for span in spans:
        until = ended.to_ms if span.to_ms is None else span.to_ms + ended.rule.gives_way_for_ms
        if span.from_ms <= ended.from_ms and ended.to_ms <= until:
            yield span.rule, span.place
