"""What a run of the collector is given by its process."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from apscheduler.triggers.base import BaseTrigger

from collector.config.clock import Now
from collector.config.home import Home
from collector.config.log import Log
from collector.config.settings import Settings
from collector.delivery.heartbeat import Pulse
from collector.store.repair.slow_check import SlowCheck
from collector.watch.calls import Calls
from collector.watch.observer import Observer
from collector.watch.service_manager import ServiceManager


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """The same for each run of one process."""

    home: Home
    settings: Settings
    now: Now
    """The time of day, in ms."""
    steady: Callable[[], float]
    """A clock in seconds that never steps."""
    pace: float
    """How fast `now` runs against `steady`."""
    tick_lag_ms: int
    times: Mapping[str, BaseTrigger]
    log: Log
    manager: ServiceManager
    observer: Observer
    pulse: Pulse
    calls: Calls
    slow_check: SlowCheck
    """Goes on where it was when another run begins: a round takes days on a large file."""
