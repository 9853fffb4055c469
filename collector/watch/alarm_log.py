"""What alarms do, in the log: a line when one is raised and when it ends, so that the log alone tells of a night."""

from collections.abc import Iterable

from collector.alarms.model import Event
from collector.config.log import Level, Log
from collector.store.batch import HistoryRow

_WORDS = {Event.RAISED: "raised", Event.CLEARED: "ended"}


def log_alarms(log: Log, changes: Iterable[HistoryRow]) -> None:
    """High priority is a warning; every other kind of change is for whoever follows each step."""
    for change in changes:
        event, name = change.transition.event, change.transition.key.rule
        said = f"alarm {_WORDS.get(event, event)}: {name} at {change.place}, {change.priority} priority"
        log.write(_level(event, change.priority), said)


def _level(event: Event, priority: str) -> Level:
    if event is Event.RAISED and priority == "high":
        return Level.WARNING
    return Level.INFO if event in _WORDS else Level.DEBUG
