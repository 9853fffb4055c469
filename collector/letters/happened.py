"""What has happened, in one line: how urgent it is, where it is and what."""

from dataclasses import dataclass

from collector.alarms.model import Event, Priority
from collector.letters.doubtful import is_usable
from collector.letters.matter import Matter, Outcome
from collector.letters.plain import one_line
from collector.letters.trouble import beyond
from collector.telling.notice import Reason

URGENCY = {Priority.HIGH: "URGENT", Priority.MEDIUM: "SOON", Priority.LOW: "MINOR"}
_TAG = {
    Outcome.CAME_AND_WENT: "CAME AND WENT",
    Outcome.LESS_URGENT: "LESS URGENT",
    Outcome.BACK_TO_NORMAL: "BACK TO NORMAL",
    Outcome.CHANGED: "NOTE",
}
_CHANGED = {Event.RULE_REMOVED: "is no longer in the rules, so nobody hears of it any more"}
"""How an event that needs no action is told, where its own word does not do."""


@dataclass(frozen=True, slots=True)
class Happened:
    """What has happened to one matter."""

    matter: Matter

    @property
    def urgency(self) -> str:
        """The word that a subject begins with."""
        if not self.matter.calls:
            return _TAG[self.matter.outcome]
        word = URGENCY[self.matter.rule.priority]
        again = {Reason.REMINDER: f"STILL {word}", Reason.PASSED_ON: f"{word}, NOBODY IS ON IT"}
        return again.get(self.matter.item.why, word)

    @property
    def headline(self) -> str:
        """'Juniper, top tray: bedding temperature too high'."""
        return f"{self.matter.place}: {self._what()}"

    @property
    def title(self) -> str:
        """The headline where the word of urgency stands beside it, and so need not be said again."""
        back = self.matter.outcome is Outcome.BACK_TO_NORMAL
        return f"{self.matter.place}: {self.matter.trouble.what_is_right()}" if back else self.headline

    @property
    def subject(self) -> str:
        """The headline with its figure, without the word of urgency."""
        if self.matter.outcome in (Outcome.CALLS, Outcome.CAME_AND_WENT):
            return self.headline + self._figure()
        return self.title

    @property
    def became(self) -> str:
        """What became of the alarm, where nothing is to be done: 'shelved'."""
        return _CHANGED.get(self.matter.change.event, self.matter.change.event.value)

    def _what(self) -> str:
        trouble = self.matter.trouble
        if self.matter.outcome in (Outcome.CALLS, Outcome.CAME_AND_WENT):
            return trouble.wrong()
        if self.matter.still is not None:
            return trouble.still(self.matter.still)
        return trouble.right_again() if self.matter.over else self._what_changed()

    def _what_changed(self) -> str:
        change = self.matter.change
        by = f" by {one_line(change.by, 60)}" if change.by else ""
        return f"{self.matter.trouble.wrong()}: alarm {one_line(self.matter.rule.name, 60)} {self.became}{by}"

    def _figure(self) -> str:
        """That of the newest reading where this is not the first word."""
        change, trouble, last = self.matter.item.transition, self.matter.trouble, self.matter.last
        if change.outlook is not None:
            return f", about {self.matter.when(change.outlook.about_ms)}"
        if not trouble.has_value or trouble.foresees or change.value is None:
            return ""
        if self.matter.item.why is Reason.NEWS or not trouble.of_level or last is None or not is_usable(last):
            return f", {trouble.show(change.value)}"
        back = "" if last.value is None or beyond(self.matter.rule, last.value) else "now back at "
        return f", {back}{trouble.show(last.value)}"
