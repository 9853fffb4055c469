"""What a letter needs to know beyond the changes it tells of."""

from dataclasses import dataclass
from typing import Protocol

from collector.alarms.model import AlarmKey, Rule
from collector.domain.lab import Lab, Person, Series
from collector.domain.readings import StoredReading
from collector.husbandry.watering import TrayNow
from collector.telling.message_plan import Item


@dataclass(frozen=True, slots=True)
class Usual:
    """Where a series mostly is: four of five hourly means lie between these, in its measure's unit."""

    low: float
    high: float
    days: int
    """Over so many days."""


class LetterFacts(Protocol):
    """Each call answers from what is known at this moment, and never fails for what is not known."""

    @property
    def lab(self) -> Lab: ...
    def newest(self, series: Series) -> StoredReading | None:
        """Its newest reading of any quality."""
        ...

    def usual(self, series: Series, now_ms: int) -> Usual | None:
        """None where too little is known."""
        ...

    def tray_now(self, place: str, now_ms: int) -> TrayNow | None:
        """All that is known of a tray; None where the place is none."""
        ...

    def acknowledged_ms(self, key: AlarmKey) -> int | None:
        """When somebody acknowledged it as it stands; None: nobody has, or it does not stand."""
        ...

    def still_standing(self, rule: Rule, series: Series) -> Rule | None:
        """The most urgent other alarm that stands for the same reason: of the same kind, `high` or `low`, at the same
        series, whose limit its newest reading has passed."""
        ...

    def acknowledge_url(self, item: Item, person: Person, now_ms: int) -> str:
        """A link behind which this person can acknowledge it; empty where there are no pages."""
        ...
