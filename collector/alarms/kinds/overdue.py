"""Kind `overdue`: something that should have been done, or ended, by now.

    squeeze test, watering, feeding, drain    counts from when it was last done, or from when the place became known
    brew end                                  from the start of the brew that runs
    tea use                                   from when the air stopped, until tea use is noted or another brew starts

It raises when the setpoint has passed since then, and clears when what was noted says otherwise; a note counts from
when the collector took it up. By itself it holds for whole bins, since the class does its check bin by bin, and for
brewers; `where` can name trays.
"""

from collections.abc import Mapping

from collector.alarms.gates import Gate
from collector.alarms.kinds.alarm import Alarm, Seat
from collector.alarms.kinds.ground import Ground
from collector.alarms.kinds.kind import About, RuleKind, Words
from collector.alarms.kinds.setpoint import lasting
from collector.alarms.model import Kind, Rule, What
from collector.alarms.places import fits
from collector.domain.diary import DiaryKind
from collector.domain.lab import Place, PlaceKind

DONE: Mapping[str, DiaryKind] = {
    What.SQUEEZE_TEST: DiaryKind.SQUEEZE,
    What.WATERING: DiaryKind.WATERED,
    What.FEEDING: DiaryKind.FED,
    What.DRAIN: DiaryKind.DRAINED,
}
_SAID = {
    What.SQUEEZE_TEST: ("squeeze test overdue", "squeeze test done"),
    What.WATERING: ("watering overdue", "watered"),
    What.FEEDING: ("feeding overdue", "fed"),
    What.DRAIN: ("draining overdue", "drained"),
    What.BREW_END: ("brew past its time", "brew ended"),
    What.TEA_USE: ("tea past its use-by", "tea used or poured away"),
}


def is_about(rule: Rule, place: Place) -> bool:
    """Whether the rule makes an alarm at this place."""
    if rule.what not in DONE:
        kinds: tuple[PlaceKind, ...] = (PlaceKind.BREWER,)
    elif rule.where:
        kinds = (PlaceKind.BIN, PlaceKind.TRAY)
    else:
        kinds = (PlaceKind.BIN,)
    return place.kind in kinds and (not rule.where or any(fits(pattern, place.id) for pattern in rule.where))


class Overdue(Alarm):
    __slots__ = ("_created_ms", "_done_ms", "_moments")

    def __init__(self, seat: Seat, created_ms: int) -> None:
        super().__init__(seat)
        self._created_ms = created_ms
        self._done_ms = max(self.changed, created_ms)
        """What was noted up to then has had its effect."""

    def follow(self, gate: Gate, from_ms: int) -> None:
        super().follow(gate, from_ms)
        self._moments = gate.contexts.changes(gate.place)

    def base_ms(self, t_ms: int) -> int | None:
        """From when it counts, as known at `t_ms`; None where nothing is to be done."""
        contexts, place = self.gate.contexts, self.gate.place
        kind = DONE.get(self.rule.what)
        if kind is not None:
            last = contexts.last(kind, place, t_ms)
            return self._created_ms if last is None else last.t_ms
        brew = contexts.brew(place, t_ms)
        if brew is None:
            return None
        if self.rule.what == What.BREW_END:
            return brew.started_ms if brew.ended_ms is None else None
        used = contexts.last(DiaryKind.TEA_USED, place, t_ms)
        if brew.air_stopped_ms is None or (used is not None and used.t_ms >= brew.air_stopped_ms):
            return None
        return brew.air_stopped_ms

    def _late_ms(self, t_ms: int) -> int | None:
        base_ms = self.base_ms(t_ms)
        return None if base_ms is None else base_ms + round(self.rule.setpoint)

    def due(self) -> int | None:
        news = next((ms for ms in self._moments if ms > self._done_ms), None)
        late = None if self.active else self._late_ms(self._done_ms)
        if late is not None and (news is None or late < news):
            return max(late, self._done_ms)
        return news

    def fire(self, at_ms: int, value: float | None = None) -> None:
        late = self._late_ms(at_ms)
        beyond = late is not None and late <= at_ms
        self._done_ms = at_ms
        if beyond and not self.active:
            self.annunciate(at_ms, late, None)
        elif self.active and not beyond:
            self.clear(at_ms, None)
        else:
            self.touch(at_ms)


def _place(rule: Rule, ground: Ground) -> None:
    for place in ground.lab.places:
        number = ground.subjects.get(("", place.id))
        if number is not None and is_about(rule, place):
            ground.add(Overdue(ground.seat(rule, number), ground.created_ms(number)))


OVERDUE = RuleKind(
    kind=Kind.OVERDUE,
    means="not done",
    about=About.DEED,
    words=Words(
        wrong=lambda said: _SAID[What(said.rule.what)][0] if said.rule.what else "overdue",
        right_again=lambda said: _SAID[What(said.rule.what)][1] if said.rule.what else "done",
    ),
    needs=("what",),
    setpoint=lasting("after how long", "3 d"),
    place=_place,
    stands_at=is_about,
    from_notes=lambda rule: True,
)
