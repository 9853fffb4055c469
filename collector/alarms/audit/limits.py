"""What the figures of an audit are held against: the standard's limits, and targets fit for one lab.

The standard's limits are for a person who does nothing but watch alarms, in a plant. One lab belongs far below them.

Sources. IEC: the metric table of IEC 62682 (the same as in ANSI/ISA-18.2-2016), per operator position, over 30 days or
more. EEMUA: EEMUA 191. MEMORY: the definitions of flood, chattering, fleeting and stale are widely quoted; they stand
here from memory. OURS: common practice, no source; they follow from the aim of under one message a day, where an alarm
is two messages: that it came and that it went.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

SECOND = 1_000
MINUTE = 60 * SECOND
TEN_MINUTES = 10 * MINUTE
HOUR = 60 * MINUTE
DAY = 24 * HOUR

ENOUGH_DAYS = 30
"""Fewer days of data allow no verdict (IEC)."""
FLOOD_OVER, FLOOD_UNDER = 10, 5
"""A flood starts with an interval of ten minutes that has more than the first and ends with one that has fewer than the
second (MEMORY; some texts start it at ten)."""
CHATTER_NUMBER = 3
CHATTER_MINUTE_MS = MINUTE
"""The standard's chattering: three occurrences within a minute (MEMORY)."""
CHATTER_HOUR_MS = HOUR
"""The lab's own: three within an hour. A bed read once a minute cannot alarm three times in a minute (OURS)."""
FLEETING_MINUTE_MS = MINUTE
"""The standard's fleeting is 'short, no immediate repeat', without a number; a minute stands for short (MEMORY)."""
FLEETING_HOUR_MS = HOUR
"""The lab's own: gone within an hour before anybody acknowledged it, since nobody is at a bin within an hour (OURS)."""
STALE_MS = DAY
"""Standing for longer without a break is stale (MEMORY)."""
BUSY_HOUR, BUSY_TEN_MINUTES = 30, 10

IEC = "IEC 62682 metric table"
EEMUA = "EEMUA 191"
MEMORY = "ISA-18.2 / IEC 62682, from memory"
OURS = "common practice, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """`most` is None where the limit cannot be told by one number."""

    words: str
    source: str
    most: float | None = None
    strict: bool = False
    """Whether the value must lie below `most` and not just at it."""

    def met(self, value: float | None) -> bool | None:
        """None where there is nothing to tell."""
        if self.most is None or value is None:
            return None
        return value < self.most if self.strict else value <= self.most


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A figure of the audit in words, and what it stands beside."""

    label: str
    unit: str
    standard: Limit | None
    target: Limit | None


_NONE = Limit(words="none", source=OURS, most=0)
_ONE_PERCENT = Limit(words="about 1 % at most", source=IEC, most=1.0)

MEASURED: Mapping[str, Measured] = MappingProxyType(
    {
        "messages_per_day": Measured(
            label="messages a day, mean",
            unit="",
            standard=None,
            target=Limit(words="under 1", source=f"the aim of this lab; {OURS}", most=1.0, strict=True),
        ),
        "alarms_per_day": Measured(
            label="alarms a day, mean",
            unit="",
            standard=Limit(words="about 144; 288 at most", source=IEC, most=288),
            target=Limit(words="under 0.5: each is told twice", source=OURS, most=0.5, strict=True),
        ),
        "alarms_in_worst_day": Measured(
            label="alarms a day, most", unit="", standard=None, target=Limit(words="3", source=OURS, most=3)
        ),
        "alarms_per_hour": Measured(
            label="alarms an hour, mean",
            unit="",
            standard=Limit(words="about 6; 12 at most", source=IEC, most=12),
            target=Limit(words="under 0.021", source=OURS, most=0.5 / 24, strict=True),
        ),
        "alarms_in_worst_hour": Measured(
            label="alarms an hour, most",
            unit="",
            standard=Limit(words="15", source=f"{EEMUA}, peak", most=15),
            target=Limit(words="2", source=OURS, most=2),
        ),
        "alarms_per_10_min": Measured(
            label="alarms in 10 min, mean",
            unit="",
            standard=Limit(words="about 1; 2 at most", source=IEC, most=2),
            target=Limit(words="under 0.0035", source=OURS, most=0.5 / 144, strict=True),
        ),
        "alarms_in_worst_10_min": Measured(
            label="alarms in 10 min, most",
            unit="",
            standard=Limit(words="10", source=IEC, most=BUSY_TEN_MINUTES),
            target=Limit(words="2", source=OURS, most=2),
        ),
        "hours_over_30": Measured(label="hours with more than 30", unit="%", standard=_ONE_PERCENT, target=_NONE),
        "ten_minutes_over_10": Measured(
            label="10-min periods with more than 10", unit="%", standard=_ONE_PERCENT, target=_NONE
        ),
        "time_in_flood": Measured(label="time in flood", unit="%", standard=_ONE_PERCENT, target=_NONE),
        "top_ten_share": Measured(
            label="share of the ten most frequent",
            unit="%",
            standard=Limit(words="about 1 to 5 % of very many", source=IEC),
            target=None,
        ),
        "chattering_minute": Measured(
            label="chattering, 3 in a minute (the standard's)",
            unit="",
            standard=Limit(words="none, and a plan", source=IEC, most=0),
            target=_NONE,
        ),
        "chattering_hour": Measured(
            label="chattering, 3 in an hour (this lab's)", unit="", standard=None, target=_NONE
        ),
        "fleeting_minute": Measured(
            label="fleeting, gone in a minute (the standard's)",
            unit="",
            standard=Limit(words="none, and a plan", source=IEC, most=0),
            target=_NONE,
        ),
        "fleeting_hour": Measured(
            label="fleeting in 30 days, gone in an hour unseen (this lab's)",
            unit="",
            standard=None,
            target=Limit(words="2", source=OURS, most=2),
        ),
        "stale": Measured(
            label="stale, over 24 h, most on a day",
            unit="",
            standard=Limit(words="under 5 on any day, and a plan", source=IEC, most=5, strict=True),
            target=_NONE,
        ),
        "high_share": Measured(
            label="share of priority high",
            unit="%",
            standard=Limit(words="about 5 %", source=EEMUA),
            target=Limit(words="as the standard", source=OURS),
        ),
        "medium_share": Measured(
            label="share of priority medium",
            unit="%",
            standard=Limit(words="about 15 %", source=EEMUA),
            target=Limit(words="as the standard", source=OURS),
        ),
        "low_share": Measured(
            label="share of priority low",
            unit="%",
            standard=Limit(words="about 80 %", source=EEMUA),
            target=Limit(words="as the standard", source=OURS),
        ),
        "acknowledge_median": Measured(
            label="time to acknowledge, median",
            unit="ms",
            standard=None,
            target=Limit(words="within its time to respond", source=OURS),
        ),
        "acknowledge_p90": Measured(
            label="time to acknowledge, 9 of 10 within",
            unit="ms",
            standard=None,
            target=Limit(words="within its time to respond", source=OURS),
        ),
        "acknowledged_late": Measured(
            label="acknowledged after its time to respond", unit="", standard=None, target=_NONE
        ),
        "never_acknowledged": Measured(label="gone without acknowledgement", unit="", standard=None, target=_NONE),
        "standing": Measured(
            label="standing now", unit="", standard=None, target=Limit(words="none that nobody sees to", source=OURS)
        ),
    }
)
"""Every figure, in the order it is shown."""
