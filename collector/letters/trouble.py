"""What an alarm is about, in a teacher's words: what is wrong, what is right again, and the figures behind it."""

from collections.abc import Callable
from dataclasses import dataclass

from collector.alarms.model import LINK_SERIES, SQUEEZE_TEST, Kind, Outlook, Rule, What
from collector.alarms.words import LASTING, other_label, other_probe, show_amount, show_setpoint
from collector.domain.lab import Lab, Series
from collector.domain.units import MEASURES, show_duration
from collector.letters.plain import one_line

_OVERDUE = {
    What.SQUEEZE_TEST: ("squeeze test overdue", "squeeze test done"),
    What.WATERING: ("watering overdue", "watered"),
    What.FEEDING: ("feeding overdue", "fed"),
    What.DRAIN: ("draining overdue", "drained"),
    What.BREW_END: ("brew past its time", "brew ended"),
    What.TEA_USE: ("tea past its use-by", "tea used or poured away"),
}
_FIGURE = {
    Kind.DEVIATION: "Apart by",
    Kind.RATE: "Change",
    Kind.SUSPECT: "Doubtful",
    Kind.DISCREPANCY: "Apart by",
}
"""Kinds whose figure is not the reading itself, and what it is called."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """One alarm at one series. `when` says a moment as the reader knows it."""

    rule: Rule
    series: Series
    lab: Lab
    when: Callable[[int], str]

    @property
    def link(self) -> bool:
        return self.series.place == LINK_SERIES.place

    @property
    def silent(self) -> bool:
        return self.rule.kind is Kind.SILENT

    @property
    def overdue(self) -> bool:
        return self.rule.kind is Kind.OVERDUE

    @property
    def switch(self) -> bool:
        return self.series.measure in MEASURES and MEASURES[self.series.measure].dimension == "switch"

    @property
    def of_readings(self) -> bool:
        """Whether it is about one series of readings, and so has a value, a probe and a newest reading."""
        return bool(self.series.measure) and not self.link

    @property
    def has_value(self) -> bool:
        """Whether a figure is told beside what is wrong."""
        return self.of_readings and self.rule.kind not in LASTING and not self.switch

    @property
    def measure(self) -> str:
        return MEASURES[self.series.measure].label if self.series.measure in MEASURES else self.series.measure

    def show(self, value: float | None) -> str:
        return show_amount(self.rule, self.series.measure, value, self.lab.us_units) or "no value"

    @property
    def limit(self) -> str:
        return "" if self.switch else show_setpoint(self.rule, self.lab.us_units)

    def wrong(self) -> str:
        """What is wrong: 'bedding temperature too high'."""
        if self.link:
            return "no connection to the broker"
        match self.rule.kind:
            case Kind.SILENT:
                return f"no usable {self.measure} reading" if self.series.measure else f"no usable reading {self._from}"
            case Kind.HIGH | Kind.LOW:
                return f"{self.measure} {self._beyond}"
            case Kind.DEVIATION:
                return f"{self.measure} too far {self._side} {self._other()}"
            case Kind.RATE:
                return f"{self.measure} {'rising' if self.rule.setpoint > 0 else 'falling'} too fast"
            case Kind.FORECAST:
                return f"{self.measure} {self._heading}"
            case Kind.SUSPECT:
                return f"many {self.measure} readings cannot be trusted"
            case Kind.DISCREPANCY:
                return f"{self._two} disagree about {self.measure}"
            case Kind.OVERDUE:
                return _OVERDUE[What(self.rule.what)][0] if self.rule.what else "overdue"

    def right_again(self) -> str:
        """What has become of it: 'bedding temperature back to normal'."""
        if self.link:
            return "connected to the broker again"
        match self.rule.kind:
            case Kind.SILENT:
                return f"{self.measure} heard again" if self.series.measure else f"heard again {self._from}"
            case Kind.FORECAST:
                return f"{self.measure} no longer {self._heading}"
            case Kind.SUSPECT:
                return f"{self.measure} readings can be trusted again"
            case Kind.DISCREPANCY:
                return f"{self._two} agree about {self.measure} again"
            case Kind.OVERDUE:
                return _OVERDUE[What(self.rule.what)][1] if self.rule.what else "done"
            case Kind.DEVIATION:
                return f"{self.measure} no longer too far {self._side} {self._other()}"
            case Kind.RATE:
                return f"{self.measure} no longer {'rising' if self.rule.setpoint > 0 else 'falling'} too fast"
            case _:
                return f"{self.measure} back to normal"

    def still(self, other: Rule) -> str:
        """What it is while `other` of the same readings stands: 'bedding temperature still above 27.0 °C'."""
        if self.switch:
            return f"{self.measure} still {'on' if other.kind is Kind.HIGH else 'off'}"
        side = "above" if other.kind is Kind.HIGH else "below"
        return f"{self.measure} still {side} {show_setpoint(other, self.lab.us_units)}"

    def figure(self, value: float, at: str) -> tuple[str, str]:
        """The figure compared with the limit, where it is not the reading itself: its name and what it is."""
        name = _FIGURE.get(self.rule.kind, "")
        over = f" of the last {show_duration(self.rule.window_ms)}" if self.rule.kind is Kind.SUSPECT else ""
        readings = " of the readings" if over else ""
        return name, f"{self.show(value)}{readings}{over} at {at} (limit {self.limit})"

    def expected(self, outlook: Outlook) -> str:
        """What a forecast expects, and how sure it is."""
        side = "below" if self.rule.toward == "low" else "above"
        span = f"between {self.when(outlook.early_ms)} and {self.when(outlook.late_ms)}"
        return f"{side} {self.limit} about {self.when(outlook.about_ms)} ({span}, nine times in ten)"

    @property
    def _beyond(self) -> str:
        if self.switch:
            return "is on" if self.rule.kind is Kind.HIGH else "is off"
        return "too high" if self.rule.kind is Kind.HIGH else "too low"

    @property
    def _from(self) -> str:
        return f"from probe {one_line(self.series.probe)}" if self.series.probe else "from any of its probes"

    @property
    def _side(self) -> str:
        return "above" if self.rule.setpoint > 0 else "below"

    @property
    def _heading(self) -> str:
        return f"heading {'below' if self.rule.toward == 'low' else 'above'} {self.limit}"

    @property
    def _two(self) -> str:
        if self.rule.against == SQUEEZE_TEST:
            return "probe and squeeze test"
        other = other_probe(self.lab, self.series)
        return f"probes {one_line(other)} and {one_line(self.series.probe)}" if other else "two probes"

    def _other(self) -> str:
        label, place = other_label(self.rule)
        known = self.lab.by_id.get(place)
        at = one_line(known.label if known is not None else place)
        return f"{label} ({at})" if place != self.series.place else label


def beyond(rule: Rule, value: float) -> bool:
    """Whether a reading is on the wrong side of the setpoint of a `high` or `low` alarm."""
    return value > rule.setpoint if rule.kind is Kind.HIGH else value < rule.setpoint
