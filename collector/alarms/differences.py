"""Two runs of the same readings side by side: which alarms appear, disappear, come earlier or later.

An occurrence is one annunciation and its return to normal. An occurrence of the one run and one of the other belong
together where they are of the same alarm at the same series and their conditions overlap in time.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from collector.alarms.model import AlarmKey, Event, Transition


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrence:
    """`cleared_ms` None: still active at the end of the stretch."""

    key: AlarmKey
    since_ms: int
    raised_ms: int
    cleared_ms: int | None
    worst: float | None


class Change(StrEnum):
    SAME = "same"
    EARLIER = "earlier"
    LATER = "later"
    APPEARS = "appears"
    DISAPPEARS = "disappears"


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One occurrence of either run, or a pair of both."""

    change: Change
    key: AlarmKey
    before: Occurrence | None
    after: Occurrence | None

    @property
    def at_ms(self) -> int:
        """When people would have been told first by either."""
        return min(occurrence.raised_ms for occurrence in (self.before, self.after) if occurrence is not None)

    @property
    def shift_ms(self) -> int:
        """How much later the second run tells; negative is earlier, 0 where only one tells."""
        if self.before is None or self.after is None:
            return 0
        return self.after.raised_ms - self.before.raised_ms


def occurrences(transitions: Iterable[Transition]) -> list[Occurrence]:
    """Annunciations with their returns, in the order they were raised; what was suppressed or shelved is none."""
    standing: dict[AlarmKey, Transition] = {}
    found: list[Occurrence] = []
    for change in transitions:
        if change.event is Event.RAISED and change.annunciates:
            standing[change.key] = change
        elif change.event is Event.CLEARED and change.key in standing:
            found.append(_occurrence(standing.pop(change.key), change))
    found += [_occurrence(raised, None) for raised in standing.values()]
    return sorted(found, key=lambda occurrence: (occurrence.raised_ms, occurrence.key.rule, occurrence.key.series))


def _occurrence(raised: Transition, cleared: Transition | None) -> Occurrence:
    since = raised.since_ms if raised.since_ms is not None else raised.t_ms
    worst = raised.worst if cleared is None else cleared.worst
    return Occurrence(
        key=raised.key,
        since_ms=since,
        raised_ms=raised.t_ms,
        cleared_ms=None if cleared is None else cleared.t_ms,
        worst=worst,
    )


def compare(before: Sequence[Occurrence], after: Sequence[Occurrence]) -> list[Difference]:
    """Each occurrence of either run once, in the order people would have been told."""
    waiting: dict[AlarmKey, list[Occurrence]] = defaultdict(list)
    for occurrence in before:
        waiting[occurrence.key].append(occurrence)
    found: list[Difference] = []
    for occurrence in after:
        partner = next((other for other in waiting[occurrence.key] if _overlap(occurrence, other)), None)
        if partner is None:
            found.append(Difference(change=Change.APPEARS, key=occurrence.key, before=None, after=occurrence))
        else:
            waiting[occurrence.key].remove(partner)
            found.append(
                Difference(change=_moved(partner, occurrence), key=occurrence.key, before=partner, after=occurrence)
            )
    for left in waiting.values():
        found += [
            Difference(change=Change.DISAPPEARS, key=occurrence.key, before=occurrence, after=None)
            for occurrence in left
        ]
    return sorted(found, key=lambda difference: (difference.at_ms, difference.key.rule, difference.key.series))


def _moved(before: Occurrence, after: Occurrence) -> Change:
    if after.raised_ms == before.raised_ms:
        return Change.SAME
    return Change.LATER if after.raised_ms > before.raised_ms else Change.EARLIER


def _overlap(one: Occurrence, other: Occurrence) -> bool:
    def starts_before_end(first: Occurrence, second: Occurrence) -> bool:
        return second.cleared_ms is None or first.since_ms <= second.cleared_ms

    return starts_before_end(one, other) and starts_before_end(other, one)
