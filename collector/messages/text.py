"""What people read when an alarm changes: a subject that says it all, and a body to act on within ten seconds.

Pure: the caller gives the alarm, the lab, the newest reading and the time; the text follows from them alone.
"""

import hashlib
import shlex
import textwrap
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from collector.alarms.model import Event, Kind, Priority, Rule, State, Transition, What
from collector.domain.lab import Lab, Place, Series
from collector.domain.readings import Stored
from collector.domain.units import show_duration
from collector.messages.localtime import clock_time
from collector.messages.meaning import doubt, said, usable
from collector.messages.plain import one_line, paragraphs
from collector.messages.trouble import Trouble

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


_HELD = {
    Event.UNSHELVED: "the shelving is over and it is still there",
    Event.UNSUPPRESSED: "it was suppressed and is still there",
    Event.PUT_BACK: "it was out of service and is still there",
}
"""Why people hear of an alarm that did not just begin."""


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
        if self.transition.annunciates or self.transition.event in (Event.RAISED, Event.RE_ALARMED):
            return self._raised()
        if self.transition.event in (Event.CLEARED, Event.LATCHED):
            return self._cleared()
        return self._changed(self.transition.event)

    def _raised(self) -> Rendered:
        what = self._trouble.wrong()
        lines = [*self._now(), self._since(), *self._why_now(), *self._time_left(), ""]
        lines += _block("What to do", self.rule.corrective_action)
        lines += _block("If nothing is done", self.rule.consequence)
        lines += [*self._probe(), _field("Basis", one_line(self.rule.basis, 110)), *self._acknowledge()]
        lines += ["", *textwrap.wrap(self._care(), WIDTH)] if self._care() else []
        return self._finish(_URGENCY[self.rule.priority], what + self._told(), what, lines)

    def _told(self) -> str:
        """The figure that the subject ends with."""
        value, outlook = self.transition.value, self.transition.outlook
        if outlook is not None:
            return f", about {self._when(outlook.about_ms)}"
        if not self._trouble.has_value or self.rule.kind is Kind.FORECAST or value is None:
            return ""
        return f", {self._trouble.show(value)}"

    def _cleared(self) -> Rendered:
        what = self._trouble.right_again()
        lines = [*self._now(), self._lasted(), *self._worst(), *self._probe()]
        if self.transition.event is Event.LATCHED:
            lines += ["", "The alarm stays until somebody has looked and resets it:", *self._command()]
        elif self.transition.after is State.RETURNED:
            lines += ["", "Nobody has acknowledged it yet:", *self._command()]
        return self._finish("BACK TO NORMAL", what.removesuffix(" back to normal"), what, lines)

    def _changed(self, event: Event) -> Rendered:
        change = self.transition
        by = f" by {one_line(change.by)}" if change.by else ""
        what = f"{self._trouble.wrong()}: alarm {one_line(self.rule.name)} {_CHANGED.get(event, event.value)}{by}"
        facts = [self._since()] if change.since_ms is not None else []
        facts += [_field("Until", self._when(change.until_ms))] if change.until_ms is not None else []
        facts += [_field("Why", one_line(change.note, 200))] if change.note.strip() else []
        return self._finish("NOTE", what, what, [*self._now(), *facts, *self._probe()])

    def _finish(self, urgency: str, subject: str, what: str, lines: list[str]) -> Rendered:
        headline = textwrap.wrap(f"{self._place()}: {what}", WIDTH)
        body = "\n".join([*headline, "", *lines])
        return Rendered(one_line(f"{urgency}: {self._place()}: {subject}", 160), body + "\n")

    # What it is about

    @property
    def _trouble(self) -> Trouble:
        return Trouble(self.rule, self.series, self.lab, self._when)

    def _place(self) -> str:
        if self.place is not None:
            return one_line(self.place.label)
        return "Collector" if self._trouble.link else one_line(self.series.place)

    def _care(self) -> str:
        if self._trouble.overdue:
            return _WET if self.rule.what in (What.BREW_END, What.TEA_USE) else _HANDS
        return _CARE.get(self.series.measure, "")

    # The facts, a field each

    def _when(self, ms: int) -> str:
        return clock_time(ms, ZoneInfo(self.lab.time_zone), self.now_ms)

    def _ago(self, ms: int) -> str:
        return f"{self._when(ms)} ({show_duration(self.now_ms - ms)} ago)"

    def _now(self) -> list[str]:
        trouble = self._trouble
        if trouble.link or trouble.overdue:
            return []
        if trouble.silent:
            return self._heard() if trouble.of_readings else []
        figure = self._figure()
        limit = "" if figure or trouble.switch else f" (limit {trouble.limit})"
        if self.last is not None and usable(self.last):
            return [_field("Now", self._reading(self.last) + limit), *figure]
        newest = [_field("Newest", self._reading(self.last))] if self.last is not None else []
        if figure or self.transition.value is None or self.rule.kind is Kind.FORECAST:
            return [*newest, *figure]
        value = trouble.show(self.transition.value)
        return [_field("Value", f"{value} at {self._when(self.transition.t_ms)}{limit}"), *newest]

    def _figure(self) -> list[str]:
        """What is compared with the limit, where that is not the reading itself."""
        change, trouble = self.transition, self._trouble
        if self.rule.kind is Kind.FORECAST:
            ahead = change.outlook is not None and change.event is not Event.CLEARED
            return [_field("Expected", trouble.expected(change.outlook))] if ahead and change.outlook else []
        if change.value is None or self.rule.kind in (Kind.HIGH, Kind.LOW):
            return []
        return [_field(*trouble.figure(change.value, self._when(change.t_ms)))]

    def _why_now(self) -> list[str]:
        why = _HELD.get(self.transition.event)
        return [] if why is None else [_field("Told now", why)]

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
        told = worst is not None and self._trouble.has_value and self.rule.kind is not Kind.FORECAST
        return [_field("Worst", self._trouble.show(worst))] if told else []

    def _probe(self) -> list[str]:
        if self._trouble.link or not self.series.probe:
            return []
        named = [one_line(part) for part in (self.series.probe, self.series.channel) if part]
        return [_field("Probe", ", ".join(named))]

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
