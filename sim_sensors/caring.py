"""What people do to the trays and sumps: once at a set time, or as a routine on school days."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sim_sensors.faults import Fault, Kind
from sim_sensors.physics import school, tray
from sim_sensors.physics.school import DAY_MS, HOUR_MS, School
from sim_sensors.physics.tray import Bedding

TWO_DAYS_MS = 48 * HOUR_MS


@dataclass(frozen=True, slots=True)
class Care:
    """Something a person does once: water poured on a tray over a while, feed put into it, or a bin's sump emptied."""

    at_ms: int
    """Since the run began."""
    place: str
    water_kg: float = 0.0
    over_ms: int = 600_000
    feed_kg: float = 0.0
    peak_after_ms: int = TWO_DAYS_MS
    empty: bool = False
    swap: tuple[int, int] | None = None
    """Two trays of a bin, counted from the top, whose beddings change places; probes stay where they are."""


@dataclass(frozen=True, slots=True)
class Routine:
    """What a class does on school days. In the holidays nobody does it."""

    place: str
    at_ms: int
    """Of the day by the lab's clock."""
    dry_below_pct: float = 0.0
    """Moisture under which the bedding feels dry when squeezed."""
    water_to_pct: float = 0.0
    """Moisture to which it is then watered."""
    feed_kg: float = 0.0
    feed_on: frozenset[int] = frozenset(range(5))
    """Weekdays, 0 Monday."""
    peak_after_ms: int = TWO_DAYS_MS
    empty_above_pct: float | None = None
    """Level from which a sump is emptied."""


@dataclass(frozen=True, slots=True)
class Moment:
    """A step: when it begins, how long it is, and whether anybody is there at all."""

    t_ms: int
    elapsed_ms: int
    ms: int
    school: School
    nobody: bool


@dataclass(frozen=True, slots=True)
class Added:
    """What was put into a tray during a step, kg and J."""

    poured_kg: float = 0.0
    fed_kg: float = 0.0
    brought_j: float = 0.0


NOTHING = Added()


def tended(
    bed: Bedding, given_c: float, now: Moment, care: Sequence[Care], routine: Sequence[Routine], broken: Sequence[Fault]
) -> tuple[Bedding, Added]:
    """A tray after what people, and faults that people make, did to it in a step; all they bring is at `given_c`."""
    water = _poured_kg(care, broken, now) + _watered_kg(bed, routine, now)
    feeds = [*_feeds(care, now), *_routine_feeds(routine, now), *_overfeeds(broken, now)]
    after = tray.poured(bed, water, given_c) if water > 0 else bed
    for kg, peak_after_ms, mixed in feeds:
        after = tray.fed(after, kg, given_c, peak_after_ms / 1000, mixed)
    if any(f.kind is Kind.HEAT and _now(f.end_ms, now) for f in broken):
        return tray.spread(after), _added(bed, after, water, feeds)
    return after, _added(bed, after, water, feeds) if after is not bed else NOTHING


def swapped(beds: Sequence[Bedding], now: Moment, care: Iterable[Care]) -> Sequence[Bedding]:
    """The trays of a bin, in their places after people changed them in this step."""
    for one in care:
        if one.swap is not None and _now(one.at_ms, now):
            found = list(beds)
            a, b = one.swap
            found[a], found[b] = found[b], found[a]
            beds = found
    return beds


def emptied(level_pct: float, now: Moment, care: Iterable[Care], routine: Iterable[Routine]) -> bool:
    """Whether a sump at this level is emptied in a step."""
    return any(c.empty and _now(c.at_ms, now) for c in care) or any(
        r.empty_above_pct is not None and level_pct > r.empty_above_pct and _due(r, now) is not None for r in routine
    )


def _added(before: Bedding, after: Bedding, water_kg: float, feeds: Sequence[tuple[float, int, float]]) -> Added:
    brought_j = tray.whole_energy_j(after) - tray.whole_energy_j(before)
    return Added(water_kg, sum(kg for kg, _, _ in feeds), brought_j)


def _now(at_ms: int, now: Moment) -> bool:
    return now.elapsed_ms <= at_ms < now.elapsed_ms + now.ms


def _due(routine: Routine, now: Moment) -> int | None:
    """The school day on which a routine is done in this step; None: not in this step."""
    since = round(now.t_ms + now.school.utc_offset_h * HOUR_MS)
    wait_ms = (routine.at_ms - since) % DAY_MS
    if now.nobody or wait_ms >= now.ms:
        return None
    day = school.local_day(now.school, now.t_ms + wait_ms)
    return day if school.is_school_day(now.school, day) else None


def _poured_kg(care: Iterable[Care], broken: Iterable[Fault], now: Moment) -> float:
    """The share of all pouring that falls in the step."""
    spans = [(c.water_kg, c.at_ms, c.at_ms + c.over_ms) for c in care if c.water_kg > 0]
    spans += [(f.water_kg, f.begin_ms, f.end_ms) for f in broken if f.kind is Kind.FLOOD]
    end_ms = now.elapsed_ms + now.ms
    return sum(kg * max(0, min(end_ms, end) - max(now.elapsed_ms, begin)) / (end - begin) for kg, begin, end in spans)


def _watered_kg(bed: Bedding, routine: Iterable[Routine], now: Moment) -> float:
    """Water that brings dry-feeling bedding to the moisture wanted: W (M2 - M1) / (100 - M2)."""
    for one in routine:
        if one.water_to_pct > 0 and bed.moisture_pct < one.dry_below_pct and _due(one, now) is not None:
            return bed.dry_kg * one.water_to_pct / (100 - one.water_to_pct) - bed.water_kg
    return 0.0


def _feeds(care: Iterable[Care], now: Moment) -> list[tuple[float, int, float]]:
    """(kg, ms to the most heat, share mixed in)"""
    return [(c.feed_kg, c.peak_after_ms, 0.0) for c in care if c.feed_kg > 0 and _now(c.at_ms, now)]


def _routine_feeds(routine: Iterable[Routine], now: Moment) -> list[tuple[float, int, float]]:
    found = []
    for one in routine:
        if one.feed_kg > 0:
            day = _due(one, now)
            if day is not None and school.weekday(day) in one.feed_on:
                found.append((one.feed_kg, one.peak_after_ms, 0.0))
    return found


def _overfeeds(broken: Iterable[Fault], now: Moment) -> list[tuple[float, int, float]]:
    return [(f.feed_kg, f.peak_after_ms, f.mixed) for f in broken if f.kind is Kind.HEAT and _now(f.begin_ms, now)]
