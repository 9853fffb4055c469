"""What an alarm is about, in a teacher's words: what is wrong, what is right again, and the figures behind it.

What is particular to a kind its description says (`collector.alarms.kinds`).
"""

from collections.abc import Callable
from dataclasses import dataclass

from collector.alarms.kinds.kind import About, RuleKind
from collector.alarms.kinds.table import direction, kind_of
from collector.alarms.model import LINK_SERIES, Outlook, Rule
from collector.alarms.words import show_amount, show_setpoint
from collector.domain.lab import Lab, Series
from collector.domain.units import MEASURES
from collector.letters.plain import one_line


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """One alarm at one series. `when` says a moment as the reader knows it."""

    rule: Rule
    series: Series
    lab: Lab
    when: Callable[[int], str]

    @property
    def _kind(self) -> RuleKind:
        return kind_of(self.rule)

    @property
    def link(self) -> bool:
        """Whether it is about the connection to the broker."""
        return self.series.place == LINK_SERIES.place

    @property
    def silent(self) -> bool:
        """Whether it is that nothing usable comes."""
        return self._kind.about is About.PROBE and self._kind.setpoint.lasting

    @property
    def overdue(self) -> bool:
        """Whether it is that people have not done something."""
        return self._kind.about is About.DEED

    @property
    def of_level(self) -> bool:
        """Whether the reading itself is compared with the limit."""
        return self._kind.about is About.LEVEL

    @property
    def foresees(self) -> bool:
        """Whether what is compared with the limit is yet to come."""
        return self._kind.foresees

    @property
    def switch(self) -> bool:
        """Whether what is measured is only on or off."""
        return self.series.measure in MEASURES and MEASURES[self.series.measure].dimension == "switch"

    @property
    def of_readings(self) -> bool:
        """Whether it is about one series of readings, and so has a value, a probe and a newest reading."""
        return bool(self.series.measure) and not self.link

    @property
    def has_value(self) -> bool:
        """Whether a figure is told beside what is wrong."""
        return self.of_readings and not self._kind.setpoint.lasting and not self.switch

    @property
    def measure(self) -> str:
        """What is measured: 'bedding temperature'."""
        return MEASURES[self.series.measure].label if self.series.measure in MEASURES else self.series.measure

    def line(self, text: str) -> str:
        """A name from a file or a probe, safe to stand in a sentence."""
        return one_line(text)

    def show(self, value: float | None) -> str:
        """The figure that is compared, as people read it."""
        return show_amount(self.rule, self.series.measure, value, self.lab.us_units) or "no value"

    @property
    def limit(self) -> str:
        """The setpoint as people read it; empty for a switch."""
        return "" if self.switch else show_setpoint(self.rule, self.lab.us_units)

    def wrong(self) -> str:
        """What is wrong: 'bedding temperature too high'."""
        return self._kind.words.wrong(self)

    def right_again(self) -> str:
        """What has become of it: 'bedding temperature back to normal'."""
        return self._kind.words.right_again(self)

    def what_is_right(self) -> str:
        """The same where 'BACK TO NORMAL' stands before it: 'bedding temperature'."""
        return self.measure if self.of_level else self.right_again()

    def still(self, other: Rule) -> str:
        """What it is while `other` of the same readings stands: 'bedding temperature still above 27.0 °C'."""
        above = direction(other) > 0
        if self.switch:
            return f"{self.measure} still {'on' if above else 'off'}"
        return f"{self.measure} still {'above' if above else 'below'} {show_setpoint(other, self.lab.us_units)}"

    def figure(self, value: float, at: str) -> tuple[str, str]:
        """The figure compared with the limit, where it is not the reading itself: its name and what it is."""
        words = self._kind.words
        return words.figure, f"{self.show(value)}{words.of(self.rule)} at {at} (limit {self.limit})"

    def expected(self, outlook: Outlook) -> str:
        """What a forecast expects, and how sure it is."""
        side = "below" if direction(self.rule) < 0 else "above"
        span = f"between {self.when(outlook.early_ms)} and {self.when(outlook.late_ms)}"
        return f"{side} {self.limit} about {self.when(outlook.about_ms)} ({span}, nine times in ten)"


def beyond(rule: Rule, value: float) -> bool:
    """Whether a reading is on the wrong side of the setpoint."""
    return value > rule.setpoint if direction(rule) > 0 else value < rule.setpoint
