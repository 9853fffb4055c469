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
    ranked = sorted(found, key=lambda one: rank(one.rule.priority))
    stands = [(one.rule, one.series.place) for one in ranked]
    kept: dict[tuple[int, str], Standing] = {}
    for one in ranked:
        if not speaking_for(one.rule, one.series.place, stands):
            same = one.rule.kind if kind_of(one.rule).about is About.LEVEL and one.series.measure else one.rule.name
            kept.setdefault((one.series.id, same), one)
    return list(kept.values())


def worst_past(past: Sequence[Past], standing: Iterable[Standing]) -> list[Past]:
    """Without what came and went inside a worse alarm of the same place, or so soon after its end that its message
    would have waited."""
    spans = [_Span(one.rule, one.series.place, one.from_ms, one.to_ms) for one in past]
    spans += [_Span(one.rule, one.series.place, one.since_ms, None) for one in standing]
    return [one for one in past if not speaking_for(one.rule, one.series.place, _around(one, spans))]


class _Span(NamedTuple):
    rule: Rule
    place: str
    from_ms: int
    to_ms: int | None
    """None: it stands yet."""


def _around(one: Past, spans: Iterable[_Span]) -> Iterator[tuple[Rule, str]]:
    """What lasted from before it until it was over, with the while for which it gives way."""
    for span in spans:
        until = one.to_ms if span.to_ms is None else span.to_ms + one.rule.gives_way_for_ms
        if span.from_ms <= one.from_ms and one.to_ms <= until:
            yield span.rule, span.place
