"""Alarms as values: the rules a maintainer writes, the state each alarm is in, and what changed.

Words and states after ANSI/ISA-18.2-2016 and IEC 62682.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from collector.alarms.contexts import Condition
from collector.domain.lab import Series


class Kind(StrEnum):
    HIGH = "high"
    LOW = "low"
    DEVIATION = "deviation"
    RATE = "rate"
    FORECAST = "forecast"
    SILENT = "silent"
    SUSPECT = "suspect"
    DISCREPANCY = "discrepancy"
    OVERDUE = "overdue"


class Priority(StrEnum):
    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


class State(StrEnum):
    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned-unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out-of-service"


STANDING = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
"""States in which the condition is present and people have been told."""


OUT_OF_BEDDING = "out of the bedding"
"""What the readings may be that a `suspect` rule counts, in place of all doubtful ones."""
SQUEEZE_TEST = "squeeze test"
"""What a `discrepancy` may be against, in place of another probe."""


class What(StrEnum):
    """What can be overdue."""

    SQUEEZE_TEST = "squeeze test"
    WATERING = "watering"
    FEEDING = "feeding"
    DRAIN = "drain"
    BREW_END = "brew end"
    TEA_USE = "tea use"


class Weekly(NamedTuple):
    """A moment of the week on the lab's clock. Monday is 0."""

    weekday: int
    minute: int


class Band(NamedTuple):
    """What a probe may say where a squeeze test said `feel`."""

    feel: str
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One alarm of a rule set, rationalised. Numbers are in canonical units, times in ms, rates per hour."""

    name: str
    kind: Kind
    measure: str
    """Empty for a `silent` rule that holds for every measure."""
    where: tuple[str, ...]
    """Place patterns: 'juniper/top', 'juniper/*', 'room'; empty means everywhere the measure is found. The single
    pattern 'broker' is the collector's own link to the broker (kind `silent` only)."""
    setpoint: float
    """`high`, `low`, `forecast`: a value. `deviation`: a difference, `rate`: a change per hour, each with its direction
    as the sign. `suspect`: a share in %. `discrepancy`: a difference. `silent`, `overdue`: ms."""
    deadband: float
    on_delay_ms: int
    off_delay_ms: int
    priority: Priority
    consequence: str
    corrective_action: str
    time_to_respond_ms: int
    basis: str
    source: str = ""
    """Where it stands: 'rules/red-wigglers.yaml:14'."""
    only_while: tuple[Condition, ...] = ()
    """Suppressed unless all of these hold."""
    not_while: tuple[Condition, ...] = ()
    """Suppressed while any of these holds."""
    latching: bool = False
    """Once raised it stays until a person resets it, also when its condition has gone."""
    re_alarm_ms: int | None = None
    """Annunciated again when it is still active so long after it was acknowledged."""
    counts: str = ""
    """`suspect`: OUT_OF_BEDDING, or empty for all doubtful readings but those."""
    against: str = ""
    """`deviation`: 'air_temperature at room'. `discrepancy`: SQUEEZE_TEST, or empty for two probes of one place."""
    window_ms: int = 0
    """`rate`, `forecast`, `suspect`: how far back is looked."""
    horizon_ms: int = 0
    """`forecast`: how far ahead is looked; 0 where `by` says until when."""
    by: Weekly | None = None
    """`forecast`: until the next such moment."""
    toward: str = ""
    """`forecast`: 'low' or 'high'."""
    what: str = ""
    """`overdue`: a value of What."""
    at_most_ms: int = 0
    """`silent`: the setpoint grows up to this by how long a series is usually silent; 0: it does not."""
    bands: tuple[Band, ...] = ()
    """`discrepancy` against the squeeze test."""
    beyond: float | None = None
    """`deviation`, `forecast`: a value that the reading itself must be beyond, on the side that the alarm is about."""
    waits_for_morning: bool = False
    """`medium`: nothing is lost by it that is worth a night's sleep, also where its time to respond runs out."""
    gives_way_to: tuple[str, ...] = ()
    """Names of worse alarms of the same trouble: while one stands at the same place, it speaks for this one."""
    gives_way_for_ms: int = 0
    """So long after the end of those this one waits before it speaks for itself."""


@dataclass(frozen=True, slots=True)
class AlarmKey:
    """One alarm at one series. `series` is 0 for alarms about the collector itself. Alarms about a whole probe, a bin
    or a brewer have a series too, one without readings (see `collector.domain.lab.subjects`)."""

    rule: str
    series: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmState:
    """Where one alarm stands; everything a restart needs. Written to the journal whenever it changes."""

    key: AlarmKey
    state: State = State.NORMAL
    active: bool = False
    """The condition past its on-delay and not yet past its off-delay."""
    deadline_ms: int | None = None
    """Running timer: when an on-delay (not active) or an off-delay (active) ends. None: no timer runs."""
    since_ms: int | None = None
    """When the present or pending condition became true; kept until it has cleared."""
    raised_ms: int | None = None
    """When it was last annunciated; the id of this occurrence together with the key."""
    changed_ms: int = 0
    """Time of the last change made by a reading or a timer, on the time of the readings. An acknowledgement, which
    happens on people's time, leaves it, so that a restart finds the alarm's clock where it was."""
    worst: float | None = None
    """Most extreme usable value since `since_ms`."""
    acked_ms: int | None = None
    """When it was acknowledged, while it stands acknowledged."""
    shelved_until_ms: int | None = None
    """When its shelving ends by itself. None: not shelved."""
    shelved_by: str = ""
    reason: str = ""
    """Why it was shelved."""
    out_by: str = ""
    """Who took it out of service by a command; empty where nobody did."""
    cause: str = ""
    """The alarm that stands for this one: 'probe-silent at juniper'."""


class Event(StrEnum):
    """Why a state changed."""

    RAISED = "raised"
    CLEARED = "cleared"
    ACKNOWLEDGED = "acknowledged"
    RE_ALARMED = "re-alarmed"
    """Annunciated once more because it has stood acknowledged for long."""
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed"
    UNSUPPRESSED = "unsuppressed"
    TAKEN_OUT = "taken-out-of-service"
    PUT_BACK = "put-back-in-service"
    LATCHED = "latched"
    """The condition has gone; the alarm stays until it is reset."""
    RESET = "reset"
    RULE_REMOVED = "rule-removed"


class Outlook(NamedTuple):
    """When a forecast expects the setpoint to be crossed, and the ends of its 90 % interval."""

    about_ms: int
    early_ms: int
    late_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Transition:
    """One change of state, for the alarm history and for the messages."""

    key: AlarmKey
    event: Event
    before: State
    after: State
    t_ms: int
    """When it happened on the time of the readings (for a timer: its deadline, however late it was noticed)."""
    since_ms: int | None
    """When the condition behind it became true."""
    raised_ms: int | None
    """Which occurrence: the time it was annunciated."""
    value: float | None
    """Value at the change (high, low), or None."""
    worst: float | None = None
    by: str = ""
    """Role or group that acknowledged, shelved or took out of service, else empty."""
    note: str = ""
    """Why it was shelved or suppressed."""
    until_ms: int | None = None
    """Until when it is shelved."""
    outlook: Outlook | None = None
    """What a forecast saw."""

    @property
    def annunciates(self) -> bool:
        """Whether people are called."""
        return self.after is State.UNACKNOWLEDGED and self.before is not State.UNACKNOWLEDGED


@dataclass(frozen=True, slots=True)
class Link:
    """The collector's link to the broker, and since when it is as it is."""

    up: bool
    since_ms: int


class Newest(NamedTuple):
    """What the journal knows of a series when the collector starts."""

    t_ms: int
    """Newest reading that was not late."""
    usable_ms: int | None = None
    """Newest of those whose flag is usable, or that came from out of the bedding."""
    usable_value: float | None = None
    """Value of the newest usable one; an alarm raised by a timer tells it."""


LINK_SERIES = Series(id=0, probe="", channel="", measure="", place="broker", unit="")
"""Stands for the collector's link to the broker, so that its alarms have a place like all others."""
