"""What an engine starts from: what is watched, what the journal kept of it, and how things are now."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from collector.alarms.chunk import Readings
from collector.alarms.contexts import Contexts
from collector.alarms.kinds.habit import Gap
from collector.alarms.model import AlarmKey, AlarmState, Link, Newest
from collector.domain.lab import Lab, Series

BEFORE_ALL = -(2**62)
EVERY_MS = 60_000
GAP_MS = 300_000
"""Of a series whose probe the lab does not know: its interval, and the gap that makes stale what was before."""


@dataclass(frozen=True, slots=True)
class Site:
    """The lab and its series: those of the probes, and those of whole probes and places
    (`collector.domain.lab.subjects`), without which alarms about these are not made."""

    lab: Lab
    series: Sequence[Series]
    created_ms: Mapping[int, int] = field(default_factory=dict)
    """Series -> when it became known; silences and deeds count from then at the earliest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What the journal knows."""

    states: Mapping[AlarmKey, AlarmState] = field(default_factory=dict)
    """Of a rule or series that is gone it is closed (see `Engine.opening`)."""
    newest: Mapping[int, Newest] = field(default_factory=dict)
    """Of each series that has readings."""
    recent: Mapping[int, Readings] = field(default_factory=dict)
    """Stored readings that were not late, which should reach back `memory_ms(rules, lab)`."""
    since_ms: int = BEFORE_ALL
    """From when on these are complete."""
    habits: Mapping[AlarmKey, Sequence[Gap]] = field(default_factory=dict)
    """As `Engine.changed_habits` gave them last."""


@dataclass(frozen=True, slots=True)
class Running:
    """How things are when the engine starts."""

    link: Link
    contexts: Contexts | None = None
    """None: nothing has been noted."""
    start_ms: int = BEFORE_ALL
    """Contexts of before are no news to series never heard."""
