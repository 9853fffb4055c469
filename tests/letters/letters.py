"""Letters from little: facts that are what a test says, and the message about one change of an alarm."""

from dataclasses import dataclass, field, replace

from collector.alarms.model import AlarmKey, Rule, Transition
from collector.domain.lab import Lab, Person, Place, PlaceKind, Series
from collector.domain.readings import Flag, StoredReading
from collector.husbandry.watering import TrayNow
from collector.letters.facts import Usual
from collector.letters.letter import Letter, alarm_letter
from collector.telling.message_plan import Item, MessagePlan
from collector.telling.notice import Reason
from tests.letters.examples import HOT, LAB, NOW, RAISED, TOP_TEMPERATURE, at

WARM = StoredReading(series=3, t_ms=at(3, 10, 19), value=31.2, flag=Flag.PASS, raw=31.2, why=0)
TEACHER = LAB.people[0]
HOT_ITEM = Item(transition=RAISED, rule=HOT, series=TOP_TEMPERATURE)


@dataclass(frozen=True)
class FakeFacts:
    """Answers as it is told to."""

    lab: Lab = LAB
    last: dict[int, StoredReading] = field(default_factory=lambda: {3: WARM})
    band: Usual | None = None
    moisture: float | None = None
    tray: TrayNow = field(default_factory=TrayNow)
    acked_ms: int | None = None
    url: str = ""
    still: Rule | None = None

    def newest(self, series: Series) -> StoredReading | None:
        return self.last.get(series.id)

    def usual(self, series: Series, now_ms: int) -> Usual | None:
        return self.band

    def tray_now(self, place: str, now_ms: int) -> TrayNow | None:
        known = self.lab.by_id.get(place)
        if known is None or known.kind is not PlaceKind.TRAY:
            return None
        return replace(self.tray, moisture_pct=self.moisture, dry_kg=known.dry_kg)

    def acknowledged_ms(self, key: AlarmKey) -> int | None:
        return self.acked_ms

    def still_standing(self, rule: Rule, series: Series) -> Rule | None:
        return self.still

    def acknowledge_url(self, item: Item, person: Person, now_ms: int) -> str:
        return self.url


def letter(*items: Item, facts: FakeFacts | None = None, now_ms: int = NOW, **plan: object) -> Letter:
    """The message of these items to the teacher."""
    made = MessagePlan(key="k", person=TEACHER, items=items or (HOT_ITEM,), **plan)  # type: ignore[arg-type]
    return alarm_letter(made, facts or FakeFacts(), now_ms)


def render(
    change: Transition,
    rule: Rule,
    place: Place | None,
    lab: Lab,
    now_ms: int,
    *,
    series: Series,
    last: StoredReading | None = None,
    why: Reason = Reason.NEWS,
) -> Letter:
    """The message about one change at `place`; None: the lab has no such place."""
    rest = tuple(one for one in lab.places if one.id != series.place)
    there = replace(lab, places=rest if place is None else (*rest, place))
    facts = FakeFacts(there, {} if last is None else {series.id: last})
    return letter(Item(transition=change, rule=rule, series=series, why=why), facts=facts, now_ms=now_ms)
