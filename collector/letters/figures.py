"""The figures of a matter, a field each: what is measured now, what is usual, the worst, and by which probe."""

from dataclasses import dataclass

from collector.alarms.model import Event
from collector.domain.readings import StoredReading
from collector.domain.units import show_value
from collector.letters.doubtful import is_usable, what_it_said, why_doubtful
from collector.letters.matter import Matter
from collector.letters.plain import one_line

Field = tuple[str, str]
"""A label and what it is."""


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures of one matter; each list is empty where there is nothing to say."""

    matter: Matter

    def in_short(self) -> list[str]:
        """'Now 31.2 °C'."""
        last, trouble = self.matter.last, self.matter.trouble
        if not trouble.of_readings or trouble.silent or not is_usable(last) or last is None:
            return []
        return [f"Now {what_it_said(last, self.matter.series, self.matter.lab)}"]

    def now(self) -> list[Field]:
        """What is so now, with the limit it is held against."""
        trouble, last, change = self.matter.trouble, self.matter.last, self.matter.change
        if trouble.link or trouble.overdue:
            return []
        if trouble.silent:
            return self._heard() if trouble.of_readings else []
        compared = self._compared()
        limit = "" if compared or trouble.switch else f" (limit {trouble.limit})"
        if last is not None and is_usable(last):
            return [("Now", self._reading(last) + limit), *compared]
        newest = [("Newest", self._reading(last))] if last is not None else []
        if compared or change.value is None or trouble.foresees:
            return [*newest, *compared]
        return [("Value", f"{trouble.show(change.value)} at {self.matter.when(change.t_ms)}{limit}"), *newest]

    def usual(self) -> list[Field]:
        """Where the series mostly is."""
        matter = self.matter
        found = matter.facts.usual(matter.series, matter.now_ms) if matter.trouble.has_value else None
        if found is None:
            return []
        low, high = (show_value(matter.series.measure, end, matter.lab.us_units) for end in (found.low, found.high))
        span = low if low == high else f"{low} to {high}"
        return [("Usual", f"{span} (last {found.days} days)")]

    def worst(self) -> list[Field]:
        """The farthest it went beyond its limit."""
        worst, trouble = self.matter.change.worst, self.matter.trouble
        told = worst is not None and trouble.has_value and not trouble.foresees
        return [("Worst", trouble.show(worst))] if told else []

    def probe(self) -> list[Field]:
        """Which probe it is about."""
        series = self.matter.series
        if self.matter.trouble.link or not series.probe:
            return []
        return [("Probe", ", ".join(one_line(part, 80) for part in (series.probe, series.channel) if part))]

    def _compared(self) -> list[Field]:
        """What is compared with the limit, where that is not the reading itself."""
        change, trouble = self.matter.change, self.matter.trouble
        if trouble.foresees:
            ahead = change.outlook if change.event is not Event.CLEARED else None
            return [("Expected", trouble.expected(ahead))] if ahead is not None else []
        if change.value is None or trouble.of_level:
            return []
        return [trouble.figure(change.value, self.matter.when(change.t_ms))]

    def _reading(self, last: StoredReading) -> str:
        words = what_it_said(last, self.matter.series, self.matter.lab)
        return f"{words} at {self.matter.when(last.t_ms)}{self._doubt(last)}"

    def _doubt(self, last: StoredReading) -> str:
        why = why_doubtful(last, self.matter.series, self.matter.lab)
        return f": {why}" if why else ""

    def _heard(self) -> list[Field]:
        last = self.matter.last
        if last is None:
            return [("Last heard", "never, as far as is on record")]
        if self.matter.over:
            return [("Now", self._reading(last))]
        words = what_it_said(last, self.matter.series, self.matter.lab) + self._doubt(last)
        return [("Last heard", self.matter.ago(last.t_ms)), ("It said", words)]
