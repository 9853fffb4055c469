"""Alarm histories written by hand, for the tests of the audit."""

from collections.abc import Sequence

from collector.alarms.lifecycle import after
from collector.alarms.model import Event, State
from collector.store.tables.alarm_rows import PastChange

MIN, HOUR, DAY = 60_000, 3_600_000, 86_400_000
T0 = 1_769_904_000_000
"""2026-02-01T00:00:00Z, a Sunday."""


class History:
    """Changes as the journal keeps them, each in the state that follows from the one before."""

    def __init__(self) -> None:
        self.changes: list[PastChange] = []
        self._states: dict[tuple[str, int], State] = {}
        self._raised: dict[tuple[str, int], int] = {}

    def add(
        self,
        t_ms: int,
        event: Event,
        rule: str = "warm",
        series: int = 1,
        priority: str = "medium",
        *,
        active: bool = True,
    ) -> None:
        """`t_ms` counts from T0; `active` says whether the condition is there, for what ends a suppression."""
        alarm = (rule, series)
        before = self._states.get(alarm, State.NORMAL)
        follows = self._states[alarm] = after(before, event, active)
        if follows is State.UNACKNOWLEDGED and before is not follows:
            self._raised[alarm] = T0 + t_ms
        self.changes.append(
            PastChange(
                id=len(self.changes) + 1,
                rule=rule,
                series=series,
                place=f"maple/{series}",
                measure="bedding_temperature",
                priority=priority,
                event=event,
                before=before,
                after=follows,
                t_ms=T0 + t_ms,
                since_ms=None,
                raised_ms=self._raised.get(alarm),
                value=None,
                worst=None,
                by="",
                noticed_ms=T0 + t_ms,
            )
        )

    def call(
        self, t_ms: int, lasts_ms: int | None = 1_000, seen_ms: int | None = None, rule: str = "warm", **more: object
    ) -> None:
        """One alarm: when it came, how long it stood (None: it still does), and after what time it was acknowledged."""
        self.add(t_ms, Event.RAISED, rule, **more)  # type: ignore[arg-type]
        ends = [(lasts_ms, Event.CLEARED), (seen_ms, Event.ACKNOWLEDGED)]
        for later, event in sorted((later, event) for later, event in ends if later is not None):
            self.add(t_ms + later, event, rule, **more)  # type: ignore[arg-type]


def onsets(times: Sequence[int], rule: str = "warm") -> list[PastChange]:
    """An alarm that came at each of these times, from T0, and went a ms later."""
    history = History()
    for t_ms in times:
        history.call(t_ms, 1, rule=rule)
    return history.changes
