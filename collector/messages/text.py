"""What people read when an alarm changes: a subject that says it all, and a body to act on within ten seconds.

Pure: the caller gives the alarm, the lab, the newest reading and the time; the text follows from them alone.
"""

import hashlib
import shlex
import textwrap
from dataclasses import dataclass
from typing import assert_never
from zoneinfo import ZoneInfo

from collector.alarms.model import LINK_SERIES, Event, Kind, Priority, Rule, State, Transition
from collector.domain.lab import Lab, Place, Series
from collector.domain.readings import Stored
from collector.domain.units import MEASURES, show_duration, show_value
from collector.messages.localtime import clock_time
from collector.messages.meaning import doubt, said, usable
from collector.messages.plain import one_line, paragraphs

WIDTH = 72
"""Longest line: under the 78 of RFC 5322 section 2.1.1, with room for what quoting a mail adds."""

_URGENCY = {Priority.HIGH: "URGENT", Priority.MEDIUM: "SOON", Priority.LOW: "MINOR"}

_HANDS = "Afterwards wash your hands with soap and running water, 20 s or more."  # CDC, hand washing
_WET = "Dry hands; pull the plug before you reach into the water. " + _HANDS  # common practice, no source
_CARE = {
    "bedding_temperature": _HANDS,
    "bedding_moisture": _HANDS,
    "leachate_level": _HANDS,
    "tea_temperature": _WET,
    "dissolved_oxygen": _WET,
    "air_pump": _WET,
}
_CHANGED = {Event.RULE_REMOVED: "is no longer in the rules; nothing watches it now"}
"""How an event that needs no action is told, where its own word does not do."""


@dataclass(frozen=True, slots=True)
class Rendered:
    """A message before it is addressed. `body` ends with a line break."""

    subject: str
    body: str


def message_key(transition: Transition, recipient: str) -> str:
    """The outbox key: the same for the same occurrence, event and recipient, however often it is made; else another.

    Holds no address, since it names files.
    """
    occurrence = transition.raised_ms if transition.raised_ms is not None else transition.t_ms
    parts: tuple[str, ...] = (transition.key.rule, str(transition.key.series), str(occurrence), transition.event.value)
    if transition.event not in (Event.RAISED, Event.CLEARED):  # what may happen more than once in an occurrence
        parts = (*parts, str(transition.t_ms))
    whole = hashlib.sha256("\0".join((*parts, recipient)).encode("utf-8", "surrogatepass")).hexdigest()
    return "-".join((*parts, whole[:16]))


def render(
    transition: Transition,
    rule: Rule,
    place: Place | None,
    lab: Lab,
    now_ms: int,
    *,
    series: Series,
    last: Stored | None = None,
) -> Rendered:
    """The message about one transition.

    `series` is what the alarm watches (LINK_SERIES for the link to the broker), `last` its newest reading of any
    quality, `place` None where the lab has no such place (the link).
    """
    return _Message(transition, rule, place, lab, now_ms, series, last).render()


@dataclass(frozen=True, slots=True)
class _Message:
    transition: Transition
    rule: Rule
    place: Place | None
    lab: Lab
    now_ms: int
    series: Series
    last: Stored | None

    def render(self) -> Rendered:
        match self.transition.event:
            case Event.RAISED | Event.RE_ALARMED:
                return self._raised()
            case Event.CLEARED:
                return self._cleared()
            case event:
                return self._changed(event)

    def _raised(self) -> Rendered:
        what = self._trouble()
        value = self.transition.value
        told = "" if self._silent() or self._switch() or value is None else f", {self._show(value)}"
        lines = [*self._now(), self._since(), *self._time_left(), ""]
        lines += _block("What to do", self.rule.corrective_action)
        lines += _block("If nothing is done", self.rule.consequence)
        lines += [*self._probe(), _field("Basis", one_line(self.rule.basis, 110)), *self._acknowledge()]
        if self.series.measure in _CARE:
            lines += ["", *textwrap.wrap(_CARE[self.series.measure], WIDTH)]
        return self._finish(_URGENCY[self.rule.priority], what + told, what, lines)

    def _cleared(self) -> Rendered:
        what = self._good_again()
        lines = [*self._now(), self._lasted(), *self._worst(), *self._probe()]
        if self.transition.after is State.RETURNED:
            lines += ["", "Nobody has acknowledged it yet:", *self._command()]
        return self._finish("BACK TO NORMAL", what.removesuffix(" back to normal"), what, lines)

    def _changed(self, event: Event) -> Rendered:
        by = f" by {one_line(self.transition.by)}" if self.transition.by else ""
        what = f"{self._trouble()}: alarm {one_line(self.rule.name)} {_CHANGED.get(event, event.value)}{by}"
        since = [self._since()] if self.transition.since_ms is not None else []
        return self._finish("NOTE", what, what, [*self._now(), *since, *self._probe()])

    def _finish(self, urgency: str, subject: str, what: str, lines: list[str]) -> Rendered:
        headline = textwrap.wrap(f"{self._place()}: {what}", WIDTH)
        body = "\n".join([*headline, "", *lines])
        return Rendered(one_line(f"{urgency}: {self._place()}: {subject}", 160), body + "\n")

    # What it is about

    def _link(self) -> bool:
        return self.series.place == LINK_SERIES.place

    def _silent(self) -> bool:
        return self.rule.kind is Kind.SILENT

    def _switch(self) -> bool:
        return self.series.measure in MEASURES and MEASURES[self.series.measure].dimension == "switch"

    def _place(self) -> str:
        if self.place is not None:
            return one_line(self.place.label)
        return "Collector" if self._link() else one_line(self.series.place)

    def _measure(self) -> str:
        return MEASURES[self.series.measure].label if self.series.measure in MEASURES else self.series.measure

    def _show(self, value: float | None) -> str:
        return show_value(self.series.measure, value, self.lab.us_units)

    def _trouble(self) -> str:
        if self._link():
            return "no connection to the broker"
        match self.rule.kind:
            case Kind.SILENT:
                return f"no usable {self._measure()} reading"
            case Kind.HIGH:
                return f"{self._measure()} {'is on' if self._switch() else 'too high'}"
            case Kind.LOW:
                return f"{self._measure()} {'is off' if self._switch() else 'too low'}"
            case _:
                assert_never(self.rule.kind)

    def _good_again(self) -> str:
        if self._link():
            return "connected to the broker again"
        return f"{self._measure()} {'heard again' if self._silent() else 'back to normal'}"

    # The facts, a field each

    def _when(self, ms: int) -> str:
        return clock_time(ms, ZoneInfo(self.lab.time_zone), self.now_ms)

    def _ago(self, ms: int) -> str:
        return f"{self._when(ms)} ({show_duration(self.now_ms - ms)} ago)"

    def _now(self) -> list[str]:
        if self._link():
            return []
        if self._silent():
            return self._heard()
        limit = "" if self._switch() else f" (limit {self._show(self.rule.setpoint)})"
        if self.last is not None and usable(self.last):
            return [_field("Now", self._reading(self.last) + limit)]
        at_change = _field("Value", f"{self._show(self.transition.value)} at {self._when(self.transition.t_ms)}{limit}")
        newest = [_field("Newest", self._reading(self.last))] if self.last is not None else []
        return [at_change, *newest]

    def _reading(self, last: Stored) -> str:
        why = doubt(last, self.series, self.lab)
        return f"{said(last, self.series, self.lab)} at {self._when(last.t_ms)}" + (f": {why}" if why else "")

    def _heard(self) -> list[str]:
        if self.last is None:
            return [_field("Last heard", "never, as far as is on record")]
        if self.transition.event is Event.CLEARED:
            return [_field("Now", self._reading(self.last))]
        why = doubt(self.last, self.series, self.lab)
        words = said(self.last, self.series, self.lab) + (f": {why}" if why else "")
        return [_field("Last heard", self._ago(self.last.t_ms)), _field("It said", words)]

    def _begin(self) -> int:
        return self.transition.since_ms if self.transition.since_ms is not None else self.transition.t_ms

    def _since(self) -> str:
        return _field("Since", self._ago(self._begin()))

    def _time_left(self) -> list[str]:
        whole = self.rule.time_to_respond_ms
        until = self._begin() + whole
        left = min(whole, until - self.now_ms)
        if left > 0:
            told = f"about {show_duration(left)} left of {show_duration(whole)} (until {self._when(until)})"
        else:
            told = "act now" + (f": the {show_duration(whole)} ended at {self._when(until)}" if whole else "")
        return [_field("Time left", told)]

    def _lasted(self) -> str:
        begin, end = self._begin(), self.transition.t_ms
        return _field("Lasted", f"{show_duration(end - begin)} ({self._when(begin)} to {self._when(end)})")

    def _worst(self) -> list[str]:
        worst = self.transition.worst
        return [] if worst is None or self._silent() or self._switch() else [_field("Worst", self._show(worst))]

    def _probe(self) -> list[str]:
        if self._link():
            return []
        return [_field("Probe", f"{one_line(self.series.probe)}, {one_line(self.series.channel)}")]

    def _acknowledge(self) -> list[str]:
        return ["", "Say that you are on it:", *self._command()]

    def _command(self) -> list[str]:
        name, at = (shlex.quote(one_line(part)) for part in (self.rule.name, self.series.place))
        line = f"  traywarden alarms acknowledge {name} --at {at}"
        return [line] if len(line) <= WIDTH else [f"  traywarden alarms acknowledge {name} \\", f"    --at {at}"]


def _field(label: str, text: str) -> str:
    wrapped = textwrap.wrap(f"{label + ':':<12} {text}", WIDTH, subsequent_indent=" " * 13, break_on_hyphens=False)
    return "\n".join(wrapped)


def _block(title: str, text: str) -> list[str]:
    body = [
        line
        for part in paragraphs(text)
        for line in textwrap.wrap(part, WIDTH, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)
    ]
    return [f"{title}:", *body, ""] if body else []
