"""What alarms do, in the log: a line when one is raised and when it ends, so that the log alone tells of a night.

An alarm that comes and goes without end must not fill the disk with lines: of one series the log takes a few at once
and one every few minutes after that, and says how many it left out.
"""

from collections import Counter
from collections.abc import Iterable

from collector.alarms.model import Event
from collector.config.log import Level, Log
from collector.intake.allowance import Allowance, Allowances
from collector.store.batch import HistoryRow

_WORDS = {Event.RAISED: "raised", Event.CLEARED: "ended"}
LINES = Allowance(12, 1 / 300)


class AlarmLog:
    """`log` takes the lines."""

    def __init__(self, log: Log) -> None:
        self._log = log
        self._lines = Allowances(LINES)
        self._left_out: Counter[int] = Counter()

    def write(self, changes: Iterable[HistoryRow], now_ms: int) -> None:
        """High priority is a warning; every other kind of change is for whoever follows each step."""
        for change in changes:
            series = change.transition.key.series
            if self._lines.left(series, now_ms) < 1:
                self._left_out[series] += 1
                continue
            self._lines.spend(series, 1, now_ms)
            event, name = change.transition.event, change.transition.key.rule
            said = f"alarm {_WORDS.get(event, event)}: {name} at {change.place}, {change.priority} priority"
            self._log.write(_level(event, change.priority), said + self._more(series))

    def _more(self, series: int) -> str:
        number = self._left_out.pop(series, 0)
        return f"; {number} changes before it are left out here, see: traywarden alarms history" if number else ""


def _level(event: Event, priority: str) -> Level:
    if event is Event.RAISED and priority == "high":
        return Level.WARNING
    return Level.INFO if event in _WORDS else Level.DEBUG
