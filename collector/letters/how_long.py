"""How long a matter has been so, and how long there is."""

from dataclasses import dataclass

from collector.alarms.model import Event
from collector.domain.units import show_duration
from collector.letters.matter import Matter
from collector.telling.notice import Reason

_HELD = {
    Event.UNSHELVED: "the shelving is over and it is still there",
    Event.UNSUPPRESSED: "it was suppressed and is still there",
    Event.PUT_BACK: "it was out of service and is still there",
}
"""Why people hear of an alarm that did not just begin."""


@dataclass(frozen=True, slots=True)
class HowLong:
    """The times of one matter."""

    matter: Matter

    @property
    def respond_by_ms(self) -> int:
        """When the time to respond is over."""
        return self.matter.begin_ms + self.matter.rule.time_to_respond_ms

    @property
    def act_by(self) -> str:
        """'act by 13:40'."""
        late = self.respond_by_ms <= self.matter.now_ms
        return "act now" if late else f"act by {self.matter.when(self.respond_by_ms)}"

    @property
    def if_nothing(self) -> str:
        """'If nothing is done by 13:40'."""
        late = self.respond_by_ms <= self.matter.now_ms
        return "If nothing is done" if late else f"If nothing is done by {self.matter.when(self.respond_by_ms)}"

    @property
    def lasted(self) -> str:
        """'1 h 40 min (09:40 to 11:20)'."""
        begin, end = self.matter.begin_ms, self.matter.change.t_ms
        return f"{show_duration(end - begin)} ({self.matter.when(begin)} to {self.matter.when(end)})"

    def since(self) -> tuple[str, str]:
        """'09:40 (40 min ago)'."""
        return "Since", self.matter.ago(self.matter.begin_ms)

    def left(self) -> tuple[str, str]:
        """'about 3 h 20 min left of 4 h (until 13:40)'."""
        whole, until = self.matter.rule.time_to_respond_ms, self.respond_by_ms
        left = min(whole, until - self.matter.now_ms)
        if left > 0:
            told = f"about {show_duration(left)} left of {show_duration(whole)} (until {self.matter.when(until)})"
        else:
            told = "act now" + (f": the {show_duration(whole)} ended at {self.matter.when(until)}" if whole else "")
        return "Time left", told

    def why_now(self) -> list[tuple[str, str]]:
        """Why it is told at this time, where it did not just begin; else empty."""
        why = self._why()
        return [("Told now", why)] if why else []

    def _why(self) -> str:
        matter = self.matter
        if matter.item.why is Reason.NEWS:
            return _HELD.get(matter.change.event, "")
        since_ms = matter.change.raised_ms if matter.change.raised_ms is not None else matter.change.t_ms
        acked_ms = matter.facts.acknowledged_ms(matter.item.transition.key)
        if acked_ms is not None:
            return f"it still stands; it was acknowledged at {matter.ago(acked_ms)}"
        return f"nobody has acknowledged this since {matter.ago(since_ms)}"
