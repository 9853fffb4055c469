"""What people read about one change of one alarm: a subject that says it all, and blocks to act on within ten seconds.

Pure: the item, the facts and the time are given; the text follows from them alone.
"""

import shlex
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from collector.alarms.model import Event, Priority, Rule, State, Transition
from collector.domain.lab import Lab, Person, Place, Series
from collector.domain.readings import Stored
from collector.domain.units import show_duration, show_value
from collector.letters.advice import advice, lacks_mass
from collector.letters.blocks import Answer, Block, Fields, Passage, PicturePlace
from collector.letters.cautions import care
from collector.letters.doubtful import doubt, said, usable
from collector.letters.facts import Facts
from collector.letters.local_time import clock_time
from collector.letters.plain import one_line, paragraphs
from collector.letters.trouble import Trouble, beyond
from collector.telling.message_plan import Item
from collector.telling.notice import Reason

BETTER = "LESS URGENT"
"""What is over, while another alarm of the same readings stands."""
URGENCY = {Priority.HIGH: "URGENT", Priority.MEDIUM: "SOON", Priority.LOW: "MINOR"}
_LONGEST = 1_200
"""Letters of one paragraph that a rule wrote; no rule that passes the check is longer by much."""

_CHANGED = {Event.RULE_REMOVED: "is no longer in the rules, so nobody hears of it any more"}
"""How an event that needs no action is told, where its own word does not do."""
_HELD = {
    Event.UNSHELVED: "the shelving is over and it is still there",
    Event.UNSUPPRESSED: "it was suppressed and is still there",
    Event.PUT_BACK: "it was out of service and is still there",
}
"""Why people hear of an alarm that did not just begin."""


@dataclass(frozen=True, slots=True)
class Words:
    """One item for one person."""

    item: Item
    facts: Facts
    person: Person
    now_ms: int

    # What it comes to

    @property
    def calls(self) -> bool:
        """Whether something is to be done."""
        change = self.change
        return self.item.ended is None and (change.annunciates or change.event in (Event.RAISED, Event.RE_ALARMED))

    @property
    def came_and_went(self) -> bool:
        return self.item.ended is not None and self.item.ended.event in (Event.CLEARED, Event.LATCHED)

    @property
    def _over(self) -> bool:
        return self.change.event in (Event.CLEARED, Event.LATCHED)

    @property
    def urgency(self) -> str:
        """The word that a subject begins with."""
        if self.calls:
            word = URGENCY[self.item.rule.priority]
            again = {Reason.REMINDER: f"STILL {word}", Reason.PASSED_ON: f"{word}, NOBODY IS ON IT"}
            return again.get(self.item.why, word)
        if self.came_and_went:
            return "CAME AND WENT"
        return "NOTE" if not self._over else BETTER if self._still is not None else "BACK TO NORMAL"

    @property
    def place(self) -> str:
        known = self._place
        if known is not None:
            return one_line(known.label, 80)
        return "Collector" if self._trouble.link else one_line(self._series.place, 80)

    @property
    def headline(self) -> str:
        """'Juniper, top tray: bedding temperature too high'."""
        if self.calls or self.came_and_went:
            return f"{self.place}: {self._trouble.wrong()}"
        if self._still is not None:
            return f"{self.place}: {self._trouble.still(self._still)}"
        return f"{self.place}: {self._trouble.right_again() if self._over else self._what_changed()}"

    @property
    def title(self) -> str:
        """The headline where the word of urgency stands beside it."""
        return self.headline.removesuffix(" back to normal") if self._over else self.headline

    @property
    def subject(self) -> str:
        """The headline with its figure, without the word of urgency."""
        if self.calls or self.came_and_went:
            return self.headline + self._told()
        return self.title

    def lead(self) -> str:
        """The first words, made for the line of a phone's list: what it is now, by when, and what to do first."""
        if not self.calls:
            return f"{self._over_now()}{self._lasted}." if self._over else f"The alarm {self._happened}."
        parts = [*self._value_now(), f"since {self._when(self._begin)}", self._until()]
        first = next(iter([part for part in self._to_do() if part]), "")
        return _capital(f"{', '.join(parts)}. {_sentence(first)}".strip())

    def line(self) -> str:
        """All of it in one line, for long lists."""
        if self.came_and_went:
            worst = f", worst {self._worst[0][1]} (limit {self._trouble.limit})" if self._worst else ""
            return f"{self.headline}: {self._lasted}{worst}"
        since = f", since {self._when(self._begin)}" if self.calls else ""
        return f"{self.urgency}: {self.subject}{since}"

    def blocks(self, also_told: str | None = None, figure: bool = False) -> list[Block]:
        """Everything below the heading. `also_told`: who else hears of it, None where that is said elsewhere. `figure`:
        the picture is of this one."""
        if self.calls:
            return self._call_blocks(also_told, figure)
        if self._over:
            return self._over_blocks()
        return [Fields((*self._now(), *self._note(), *self._probe()))]

    # The parts of a message

    def _call_blocks(self, also_told: str | None, figure: bool) -> list[Block]:
        rule = self.item.rule
        told = (("Also told", also_told),) if also_told is not None else ()
        first = (*self._now(), *self._usual(), self._since(), *self._why_now(), *self._time_left(), *told)
        before, after = care(rule, self._series.measure, self._trouble.overdue)
        todo = [before, *self._to_do(), after]
        found: list[Block] = [Fields(first), *([PicturePlace()] if figure else [])]
        found += _passage("What to do", todo) + _passage(self._if_nothing, _written(rule.consequence))
        found.append(self._answer("Say that you are on it"))
        return [*found, Fields((*self._probe(), ("Basis", one_line(rule.basis, 110))))]

    def _to_do(self) -> list[str]:
        """The amount, where there is one, and what the rule says."""
        amount = advice(self.item.rule, self._series, self.facts, self.now_ms)
        return [amount, *_written(self.item.rule.corrective_action)]

    def short(self) -> str:
        """For chat: as the lead, with the limit and with all that is to be done."""
        if not self.calls:
            return self.lead()
        facts = ", ".join(text for label, text in (*self._now()[:1], *self._why_now()) if label != "Newest")
        since = f"since {self._when(self._begin)}, {self._until()}."
        told = f"{facts}; {since}" if facts else since
        return "\n".join([_capital(told), *(part for part in self._to_do() if part)])

    def _over_blocks(self) -> list[Block]:
        facts = Fields((*self._now(), ("Lasted", self._lasted), *self._worst, *self._probe()))
        if self.change.event is Event.LATCHED:
            return [facts, self._answer("The alarm stays until somebody has looked and resets it", "Reset")]
        if self.change.after is State.RETURNED:
            return [facts, self._answer("Nobody has acknowledged it yet")]
        return [facts]

    def _answer(self, title: str, button: str = "Acknowledge") -> Answer:
        where, by = _quoted(self._series.place), _quoted(self.person.role)
        command = ("traywarden", "alarms", "acknowledge", self.name, "--at", where, "--by", by)
        url = self.facts.acknowledge_url(self.item, self.person, self.now_ms)
        return Answer(title=title, url=url, command=command, button=button)

    @property
    def link(self) -> str:
        return self.facts.acknowledge_url(self.item, self.person, self.now_ms) if self.calls else ""

    # What it is about

    @property
    def drawable(self) -> bool:
        """Whether its readings make a line over time."""
        return self._trouble.of_readings and not self._trouble.switch

    @property
    def lacks_mass(self) -> bool:
        """Whether an amount could be told if the lab file said what the bedding weighs."""
        return lacks_mass(self.item.rule, self._series, self.facts)

    @property
    def name(self) -> str:
        """Of the alarm, as it is typed."""
        return _quoted(self.item.rule.name)

    @property
    def measure(self) -> str:
        return self._trouble.measure

    @property
    def change(self) -> Transition:
        return self.item.transition if self.item.ended is None else self.item.ended

    @property
    def _lab(self) -> Lab:
        return self.facts.lab

    @property
    def _series(self) -> Series:
        return self.item.series

    @property
    def _place(self) -> Place | None:
        return self._lab.by_id.get(self._series.place)

    @property
    def _last(self) -> Stored | None:
        return self.facts.newest(self._series)

    @property
    def _trouble(self) -> Trouble:
        return Trouble(self.item.rule, self._series, self._lab, self._when)

    @property
    def _still(self) -> Rule | None:
        """The alarm that stands yet where this one is over."""
        over = not self.came_and_went and self.change.event is Event.CLEARED
        return self.facts.still_standing(self.item.rule, self._series) if over else None

    @property
    def _begin(self) -> int:
        return self.change.since_ms if self.change.since_ms is not None else self.change.t_ms

    def _what_changed(self) -> str:
        by = f" by {one_line(self.change.by, 60)}" if self.change.by else ""
        return f"{self._trouble.wrong()}: alarm {one_line(self.item.rule.name, 60)} {self._happened}{by}"

    @property
    def _happened(self) -> str:
        return _CHANGED.get(self.change.event, self.change.event.value)

    def _told(self) -> str:
        """The figure that the subject ends with: that of the newest reading where this is not the first word."""
        change = self.item.transition
        if change.outlook is not None:
            return f", about {self._when(change.outlook.about_ms)}"
        if not self._trouble.has_value or self._trouble.foresees or change.value is None:
            return ""
        last = self._last
        if self.item.why is Reason.NEWS or not self._trouble.of_level or last is None or not usable(last):
            return f", {self._trouble.show(change.value)}"
        back = "" if last.value is None or beyond(self.item.rule, last.value) else "now back at "
        return f", {back}{self._trouble.show(last.value)}"

    # The facts, a field each

    def _when(self, ms: int) -> str:
        return clock_time(ms, ZoneInfo(self._lab.time_zone), self.now_ms)

    def _ago(self, ms: int) -> str:
        return f"{self._when(ms)} ({show_duration(self.now_ms - ms)} ago)"

    def _value_now(self) -> list[str]:
        last, trouble = self._last, self._trouble
        if not trouble.of_readings or trouble.silent or not usable(last) or last is None:
            return []
        return [f"Now {said(last, self._series, self._lab)}"]

    def _over_now(self) -> str:
        now = self._value_now()
        return f"{now[0]}; lasted " if now else "Lasted "

    def _now(self) -> list[tuple[str, str]]:
        trouble, last = self._trouble, self._last
        if trouble.link or trouble.overdue:
            return []
        if trouble.silent:
            return self._heard() if trouble.of_readings else []
        figure = self._figure()
        limit = "" if figure or trouble.switch else f" (limit {trouble.limit})"
        if last is not None and usable(last):
            return [("Now", self._reading(last) + limit), *figure]
        newest = [("Newest", self._reading(last))] if last is not None else []
        if figure or self.change.value is None or trouble.foresees:
            return [*newest, *figure]
        value = trouble.show(self.change.value)
        return [("Value", f"{value} at {self._when(self.change.t_ms)}{limit}"), *newest]

    def _figure(self) -> list[tuple[str, str]]:
        """What is compared with the limit, where that is not the reading itself."""
        change, trouble = self.change, self._trouble
        if trouble.foresees:
            ahead = change.outlook is not None and change.event is not Event.CLEARED
            return [("Expected", trouble.expected(change.outlook))] if ahead and change.outlook else []
        if change.value is None or trouble.of_level:
            return []
        return [trouble.figure(change.value, self._when(change.t_ms))]

    def _usual(self) -> list[tuple[str, str]]:
        trouble = self._trouble
        found = self.facts.usual(self._series, self.now_ms) if trouble.has_value else None
        if found is None:
            return []
        low, high = (show_value(self._series.measure, end, self._lab.us_units) for end in (found.low, found.high))
        span = low if low == high else f"{low} to {high}"
        return [("Usual", f"{span} (last {found.days} days)")]

    def _why_now(self) -> list[tuple[str, str]]:
        return [("Told now", why)] if (why := self._why()) else []

    def _why(self) -> str:
        if self.item.why is Reason.NEWS:
            return _HELD.get(self.change.event, "")
        since = self.change.raised_ms if self.change.raised_ms is not None else self.change.t_ms
        acked_ms = self.facts.acknowledged_ms(self.item.transition.key)
        if acked_ms is not None:
            return f"it still stands; it was acknowledged at {self._ago(acked_ms)}"
        return f"nobody has acknowledged this since {self._ago(since)}"

    def _reading(self, last: Stored) -> str:
        why = doubt(last, self._series, self._lab)
        return f"{said(last, self._series, self._lab)} at {self._when(last.t_ms)}" + (f": {why}" if why else "")

    def _heard(self) -> list[tuple[str, str]]:
        last = self._last
        if last is None:
            return [("Last heard", "never, as far as is on record")]
        if self._over:
            return [("Now", self._reading(last))]
        why = doubt(last, self._series, self._lab)
        words = said(last, self._series, self._lab) + (f": {why}" if why else "")
        return [("Last heard", self._ago(last.t_ms)), ("It said", words)]

    def _since(self) -> tuple[str, str]:
        return "Since", self._ago(self._begin)

    @property
    def _respond_by_ms(self) -> int:
        return self._begin + self.item.rule.time_to_respond_ms

    def _until(self) -> str:
        return f"act by {self._when(self._respond_by_ms)}" if self._respond_by_ms > self.now_ms else "act now"

    @property
    def _if_nothing(self) -> str:
        by = f" by {self._when(self._respond_by_ms)}" if self._respond_by_ms > self.now_ms else ""
        return f"If nothing is done{by}"

    def _time_left(self) -> list[tuple[str, str]]:
        whole, until = self.item.rule.time_to_respond_ms, self._respond_by_ms
        left = min(whole, until - self.now_ms)
        if left > 0:
            told = f"about {show_duration(left)} left of {show_duration(whole)} (until {self._when(until)})"
        else:
            told = "act now" + (f": the {show_duration(whole)} ended at {self._when(until)}" if whole else "")
        return [("Time left", told)]

    @property
    def _lasted(self) -> str:
        begin, end = self._begin, self.change.t_ms
        return f"{show_duration(end - begin)} ({self._when(begin)} to {self._when(end)})"

    @property
    def _worst(self) -> list[tuple[str, str]]:
        worst = self.change.worst
        told = worst is not None and self._trouble.has_value and not self._trouble.foresees
        return [("Worst", self._trouble.show(worst))] if told else []

    def _note(self) -> list[tuple[str, str]]:
        change = self.change
        found = [self._since()] if change.since_ms is not None else []
        found += [("Until", self._when(change.until_ms))] if change.until_ms is not None else []
        return found + ([("Why", one_line(change.note, 200))] if change.note.strip() else [])

    def _probe(self) -> list[tuple[str, str]]:
        if self._trouble.link or not self._series.probe:
            return []
        named = [one_line(part, 80) for part in (self._series.probe, self._series.channel) if part]
        return [("Probe", ", ".join(named))]


def _written(text: str) -> list[str]:
    return [one_line(part, _LONGEST) for part in paragraphs(text)]


def _passage(title: str, parts: list[str]) -> list[Block]:
    told = tuple(part for part in parts if part)
    return [Passage(title, told)] if told else []


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _sentence(text: str) -> str:
    """The first one, without what stands behind it."""
    end = text.find(". ")
    return one_line(text if end < 0 else text[: end + 1], 120)


def _quoted(text: str) -> str:
    return shlex.quote(one_line(text, 120))
