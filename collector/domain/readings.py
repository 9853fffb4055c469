"""What a reading is on its way through the collector, and the words said about its quality.

Times are integer milliseconds since 1970-01-01T00:00:00Z everywhere inside; floats and time zones stay at the borders.
"""

from dataclasses import dataclass
from enum import IntEnum, IntFlag


class Flag(IntEnum):
    """Primary quality flags of IOOS QARTOD (Manual for real-time quality control, flag scheme after IOC 54:V3)."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


USABLE = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT)
"""Flags whose value may raise an alarm. Fail and missing mean "cannot tell"."""

CLEAN = (Flag.PASS, Flag.NOT_EVALUATED)
"""Flags whose value may also clear an alarm: a doubtful reading never gives the all-clear."""


class Why(IntFlag):
    """Reasons behind a flag, stored beside it as one integer so that a page or an export can say why."""

    NONE = 0
    RANGE_SUSPECT = 1
    """Outside what this place plausibly does, inside what the probe can measure."""
    RANGE_FAIL = 2
    """Outside what the probe can measure."""
    SPIKE = 4
    RATE = 8
    FLAT = 16
    GAP = 32
    """First reading after a gap; the tests that need a neighbour were not evaluated."""
    SENTINEL = 64
    """The probe's own code for "no value" (DS18B20: -127, 85.0 after power-up; capacitive: pinned at an end)."""
    NOT_A_NUMBER = 128
    CALIBRATION = 256
    """Raw value outside the span of the calibration points: computed by extending the end segment, not clamped."""
    FUTURE = 512
    """Stamped more than five minutes ahead of its arrival; stored at the arrival time."""
    LATE = 1024
    """Older than what the alarms had already judged for this series: stored, never judged."""
    ARRIVAL = 2048
    """The payload carried no time; the arrival time stands in."""
    UNSEEN = 4096
    """Came after readings it would have been compared with had been judged: left out of comparisons between probes."""
    UNCALIBRATED = 8192
    """A raw number of a channel that has no calibration yet: kept as it came, without a value, and never judged."""
    NOT_THE_BEDDING = 16384
    """The probe was out of its bedding: true perhaps, but of the air."""
    ALONE = 32768
    """Came after the other channel of its probe had been judged, for which it would have said whether the probe was in
    its bedding."""


FUTURE_TOLERANCE_MS = 5 * 60 * 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredReading:
    """One row of the journal.

    `value` is in the canonical unit of the series' measure, None where there is no number; `raw` is what the probe
    said in the unit it said it in.
    """

    series: int
    t_ms: int
    value: float | None
    flag: int
    raw: float | None
    why: int
