"""What people read about one change of one alarm, put together from what happened, the figures, how long there is and
what to do: a line, a lead, blocks to act on within ten seconds, and a short form for chat.

Pure: the matter is given; the text follows from it alone.
"""

from dataclasses import dataclass

from collector.alarms.model import Event, State
from collector.letters.figures import Figures
from collector.letters.form.blocks import Block, Fields, Passage, PicturePlace
from collector.letters.happened import Happened
from collector.letters.how_long import HowLong
from collector.letters.matter import Matter, Outcome
from collector.letters.plain import after_sentence, first_sentence, one_line
from collector.letters.to_do import ToDo


@dataclass(frozen=True, slots=True)
class ItemText:
    """One matter in words."""

    matter: Matter
    said: bool = False
    """Whether an earlier one of the same message says what to do about the water of this tray."""

    @property
    def happened(self) -> Happened:
        """What has happened, in one line."""
        return Happened(self.matter)

    @property
    def to_do(self) -> ToDo:
        """What is to be done about it."""
        return ToDo(self.matter, self.said)

    @property
    def _figures(self) -> Figures:
        return Figures(self.matter)

    @property
    def _how_long(self) -> HowLong:
        return HowLong(self.matter)

    def lead(self) -> str:
        """The first words, made for the line of a phone's list: what to do first, what it is now, and by when."""
        if self.matter.calls:
            parts = [*self._figures.in_short(), f"since {self._begin()}", self._how_long.act_by]
            first = next(iter(self.to_do.deeds()), "")
            return f"{_ended(first_sentence(first, 120))} {_capital(', '.join(parts))}.".strip()
        if not self.matter.over:
            return f"The alarm {self.happened.became}."
        now = self._figures.in_short()
        return f"{now[0]}; lasted {self._how_long.lasted}." if now else f"Lasted {self._how_long.lasted}."

    def line(self) -> str:
        """All of it in one line, for long lists."""
        if self.matter.outcome is Outcome.CAME_AND_WENT:
            worst = "".join(f", worst {told} (limit {self.matter.trouble.limit})" for _, told in self._figures.worst())
            return f"{self.happened.headline}: {self._how_long.lasted}{worst}"
        since = f", since {self._begin()}" if self.matter.calls else ""
        return f"{self.happened.urgency}: {self.happened.subject}{since}"

    def short(self, alone: bool = True) -> str:
        """For chat: what to do first, then where it is and what is wrong, since when and until when; told `alone`, also
        all else that is to be done."""
        if not self.matter.calls:
            return f"{self.happened.headline}. {self.lead()}" if self.matter.over else f"{self.happened.headline}."
        first, *others = self.to_do.deeds() or [""]
        act, rest = after_sentence(first)
        told = [act, self._wrong_in_short(), *([rest, *others] if alone else [])]
        return "\n".join(filter(None, told))

    def _wrong_in_short(self) -> str:
        """'Juniper, top tray: bedding temperature too high, 31.2 °C at 10:19 (limit 30.0 °C); since 09:40, act by
        13:40.'"""
        fields = [] if self.matter.trouble.switch else self._figures.now()[:1]
        facts = [_after_comma(label, text) for label, text in fields if label != "Newest"]
        times = f"since {self._begin()}, {self._how_long.act_by}"
        why = "".join(f" {_capital(text)}." for _, text in self._how_long.why_now())
        return f"{', '.join([self.happened.headline, *facts])}; {times}.{why}"

    def blocks(self, also_told: str | None = None, picture: bool = False) -> list[Block]:
        """Everything below the heading. `also_told`: who else hears of it, None where that is said elsewhere.
        `picture`: the picture of the message is of this one."""
        if self.matter.calls:
            return self._call(also_told, picture)
        if self.matter.over:
            return self._end()
        return [Fields((*self._figures.now(), *self._note(), *self._figures.probe()))]

    def _call(self, also_told: str | None, picture: bool) -> list[Block]:
        figures, how_long, to_do = self._figures, self._how_long, self.to_do
        told = (("Also told", also_told),) if also_told is not None else ()
        times = (how_long.since(), *how_long.why_now(), how_long.left())
        small = (*figures.probe(), *to_do.where_basis())
        return [
            Fields((*figures.now(), *figures.usual(), *times, *told)),
            *([PicturePlace()] if picture else []),
            *_passage("What to do", to_do.with_cautions()),
            *_passage(how_long.if_nothing, to_do.consequence()),
            to_do.answer("Say that you are on it"),
            *([Fields(small)] if small else []),
        ]

    def _end(self) -> list[Block]:
        lasted = ("Lasted", self._how_long.lasted)
        facts = Fields((*self._figures.now(), lasted, *self._figures.worst(), *self._figures.probe()))
        if self.matter.change.event is Event.LATCHED:
            return [facts, self.to_do.answer("The alarm stays until somebody has looked and resets it", "Reset")]
        if self.matter.change.after is State.RETURNED:
            return [facts, self.to_do.answer("Nobody has acknowledged it yet")]
        return [facts]

    def _note(self) -> list[tuple[str, str]]:
        change = self.matter.change
        found = [self._how_long.since()] if change.since_ms is not None else []
        found += [("Until", self.matter.when(change.until_ms))] if change.until_ms is not None else []
        return found + ([("Why", one_line(change.note, 200))] if change.note.strip() else [])

    def _begin(self) -> str:
        return self.matter.when(self.matter.begin_ms)


def _passage(title: str, parts: list[str]) -> list[Block]:
    return [Passage(title, tuple(parts))] if parts else []


def _after_comma(label: str, text: str) -> str:
    return text if label in ("Now", "Value") else f"{label.lower()} {text}"


def _ended(sentence: str) -> str:
    return sentence if not sentence or sentence.endswith((".", "!", "?", "…")) else f"{sentence}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
