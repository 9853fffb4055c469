"""What is to be done about a matter, and how to answer."""

import shlex
from dataclasses import dataclass, replace

from collector.domain.said_quantities import in_units_of
from collector.letters.advice import TrayAdvice, advice
from collector.letters.cautions import cautions
from collector.letters.form.blocks import HowToAnswer
from collector.letters.matter import Matter
from collector.letters.plain import one_line, paragraphs

_LONGEST = 1_200
"""Letters of one paragraph that a rule wrote; no rule that passes the check is longer by much."""


@dataclass(frozen=True, slots=True)
class ToDo:
    """What one matter asks for."""

    matter: Matter
    said: bool = False
    """Whether the same message has said what to do about the water of this tray."""

    def deeds(self) -> list[str]:
        """What to do about the water, where that follows from what is known, and what the rule says: a paragraph
        each."""
        first = "What to do about its water is said above." if self.said else self.water
        return [part for part in (first, *self._written(self._own_text)) if part]

    @property
    def water(self) -> str:
        """What to do about the water of the tray; empty where the rule's own text says all there is."""
        found = self._advice
        return "" if found is None else f"{found.act} {found.how}"

    def with_cautions(self) -> list[str]:
        """The same between what to heed before and after."""
        rule = replace(self.matter.rule, corrective_action=self._own_text)
        before, after = cautions(rule, self.matter.series.measure, self.matter.trouble.overdue)
        return [part for part in (before, *self.deeds(), after) if part]

    @property
    def _advice(self) -> TrayAdvice | None:
        return advice(self.matter.rule, self.matter.series, self.matter.facts, self.matter.now_ms)

    @property
    def _own_text(self) -> str:
        """What the rule says, unless what is known of the bin forbids it."""
        found = self._advice
        return "" if found is not None and found.instead else self.matter.rule.corrective_action

    def consequence(self) -> list[str]:
        """What comes of it where nothing is done."""
        return self._written(self.matter.rule.consequence)

    @property
    def basis(self) -> str:
        """Where its number comes from."""
        return in_units_of(self.matter.rule.basis, self.matter.lab.us_units)

    def where_basis(self) -> list[tuple[str, str]]:
        """Where that can be read, as a field: behind the link, which is there anyway, or at the command line."""
        return [] if self._url() else [("Basis", f"traywarden rules list {self.alarm}")]

    def answer(self, title: str, button: str = "Acknowledge") -> HowToAnswer:
        """What to press or type."""
        where, by = _quoted(self.matter.series.place), _quoted(self.matter.person.role)
        command = ("traywarden", "alarms", "acknowledge", self.alarm, "--at", where, "--by", by)
        return HowToAnswer(title=title, url=self._url(), command=command, button=button)

    @property
    def link(self) -> str:
        """Where it can be acknowledged; empty where there is nothing to acknowledge or no page."""
        return self._url() if self.matter.calls else ""

    @property
    def alarm(self) -> str:
        """Name of the alarm, as it is typed."""
        return _quoted(self.matter.rule.name)

    @property
    def estimated(self) -> bool:
        """Whether the amount follows from a mass that nobody has weighed."""
        found = self._advice
        return found is not None and found.deed.estimated

    def _written(self, text: str) -> list[str]:
        return [one_line(part, _LONGEST) for part in paragraphs(in_units_of(text, self.matter.lab.us_units))]

    def _url(self) -> str:
        return self.matter.facts.acknowledge_url(self.matter.item, self.matter.person, self.matter.now_ms)


def _quoted(text: str) -> str:
    return shlex.quote(one_line(text, 120))
