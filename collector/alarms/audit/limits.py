"""What the figures of an audit are held against: the standard's limits, and targets fit for one lab.

The standard's limits are for a person who does nothing but watch alarms, in a plant. One lab belongs far below them.

Sources. IEC: the metric table of IEC 62682 (the same as in ANSI/ISA-18.2-2016), per operator position, over 30 days or
more. EEMUA: EEMUA 191. MEMORY: the definitions of flood, chattering, fleeting and stale are widely quoted; they stand
here from memory. OURS: common practice, no source; they follow from the aim of under one message a day, where an alarm
is two messages: that it came and that it went.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

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


class Limit(NamedTuple):
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


class Measured(NamedTuple):
    """A figure of the audit in words, and what it stands beside."""

    label: str
    unit: str
    standard: Limit | None
    target: Limit | None


_NONE = Limit("none", OURS, 0)
_ONE_PERCENT = Limit("about 1 % at most", IEC, 1.0)

MEASURED: Mapping[str, Measured] = MappingProxyType(
    {
        "messages_per_day": Measured(
            "messages a day, mean", "", None, Limit("under 1", f"the aim of this lab; {OURS}", 1.0, True)
        ),
        "alarms_per_day": Measured(
            "alarms a day, mean",
            "",
            Limit("about 144; 288 at most", IEC, 288),
            Limit("under 0.5: each is told twice", OURS, 0.5, True),
        ),
        "alarms_in_worst_day": Measured("alarms a day, most", "", None, Limit("3", OURS, 3)),
        "alarms_per_hour": Measured(
            "alarms an hour, mean",
            "",
            Limit("about 6; 12 at most", IEC, 12),
            Limit("under 0.021", OURS, 0.5 / 24, True),
        ),
        "alarms_in_worst_hour": Measured(
            "alarms an hour, most", "", Limit("15", f"{EEMUA}, peak", 15), Limit("2", OURS, 2)
        ),
        "alarms_per_10_min": Measured(
            "alarms in 10 min, mean",
            "",
            Limit("about 1; 2 at most", IEC, 2),
            Limit("under 0.0035", OURS, 0.5 / 144, True),
        ),
        "alarms_in_worst_10_min": Measured(
            "alarms in 10 min, most", "", Limit("10", IEC, BUSY_TEN_MINUTES), Limit("2", OURS, 2)
        ),
        "hours_over_30": Measured("hours with more than 30", "%", _ONE_PERCENT, _NONE),
        "ten_minutes_over_10": Measured("10-min periods with more than 10", "%", _ONE_PERCENT, _NONE),
        "time_in_flood": Measured("time in flood", "%", _ONE_PERCENT, _NONE),
        "top_ten_share": Measured(
            "share of the ten most frequent",
            "%",
            Limit("about 1 to 5 % of very many", IEC),
            None,
        ),
        "chattering_minute": Measured(
            "chattering, 3 in a minute (the standard's)", "", Limit("none, and a plan", IEC, 0), _NONE
        ),
        "chattering_hour": Measured("chattering, 3 in an hour (this lab's)", "", None, _NONE),
        "fleeting_minute": Measured(
            "fleeting, gone in a minute (the standard's)", "", Limit("none, and a plan", IEC, 0), _NONE
        ),
        "fleeting_hour": Measured(
            "fleeting in 30 days, gone in an hour unseen (this lab's)", "", None, Limit("2", OURS, 2)
        ),
        "stale": Measured(
            "stale, over 24 h, most on a day", "", Limit("under 5 on any day, and a plan", IEC, 5, True), _NONE
        ),
        "high_share": Measured(
            "share of priority high", "%", Limit("about 5 %", EEMUA), Limit("as the standard", OURS)
        ),
        "medium_share": Measured(
            "share of priority medium", "%", Limit("about 15 %", EEMUA), Limit("as the standard", OURS)
        ),
        "low_share": Measured("share of priority low", "%", Limit("about 80 %", EEMUA), Limit("as the standard", OURS)),
        "acknowledge_median": Measured(
            "time to acknowledge, median", "ms", None, Limit("within its time to respond", OURS)
        ),
        "acknowledge_p90": Measured(
            "time to acknowledge, 9 of 10 within", "ms", None, Limit("within its time to respond", OURS)
        ),
        "acknowledged_late": Measured("acknowledged after its time to respond", "", None, _NONE),
        "never_acknowledged": Measured("gone without acknowledgement", "", None, _NONE),
        "standing": Measured("standing now", "", None, Limit("none that nobody sees to", OURS)),
    }
)
"""Every figure, in the order it is shown."""
