"""When each brewer brews, holds its tea, or stands with clean water."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sim_sensors.faults import Fault, Kind
from sim_sensors.physics.brewer import Phase


@dataclass(frozen=True, slots=True)
class Brew:
    """A brew as planned. Times are milliseconds, `at_ms` since the run began."""

    at_ms: int
    place: str
    lasts_ms: int
    used_after_ms: int
    """From the end of the air until it is used."""
    food_g_l: float = 0.0


@dataclass(frozen=True, slots=True)
class Span:
    """A brew as it happens."""

    begin_ms: int
    end_ms: int
    used_ms: int
    food_g_l: float


def spans(brews: Iterable[Brew], faults: Iterable[Fault]) -> tuple[Span, ...]:
    """The brews of one brewer in order of their times; a step that falls into a time when the brew is forgotten is done
    when that ends."""
    forgotten = [f for f in faults if f.kind is Kind.BREW_FORGOTTEN]
    found = []
    for brew in sorted(brews, key=lambda b: b.at_ms):
        end = _done(brew.at_ms + brew.lasts_ms, forgotten)
        found.append(Span(brew.at_ms, end, _done(end + brew.used_after_ms, forgotten), brew.food_g_l))
    return tuple(found)


def _done(planned_ms: int, forgotten: Sequence[Fault]) -> int:
    return max((f.end_ms for f in forgotten if f.active(planned_ms)), default=planned_ms)


def stage(spans: Sequence[Span], elapsed_ms: int) -> tuple[Phase, float]:
    """(phase, food put in as it began, g/L) at a moment. Without any brews a brewer is always at it."""
    if not spans:
        return Phase.STEADY, 0.0
    begun = [span for span in spans if span.begin_ms <= elapsed_ms]
    if not begun or elapsed_ms >= begun[-1].used_ms:
        return Phase.WATER, 0.0
    return (Phase.BREWING, begun[-1].food_g_l) if elapsed_ms < begun[-1].end_ms else (Phase.HELD, 0.0)
