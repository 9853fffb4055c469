"""Kind `silent`: nothing usable from a probe, or no link to the broker, for as long as the setpoint says.

Silences of one bin are decided together (`collector.alarms.kinds.first_cause`): here they are put together.
"""

from collections.abc import Iterable, Iterator, Sequence

from collector.alarms.kinds import doubts
from collector.alarms.kinds.first_cause import LinkLost, Tree
from collector.alarms.kinds.ground import Ground
from collector.alarms.kinds.habit import Habit
from collector.alarms.kinds.kind import DELAYS, About, Clash, Doubt, RuleKind, Subject, Words
from collector.alarms.kinds.setpoint import lasting
from collector.alarms.kinds.silence import Silence
from collector.alarms.model import AlarmKey, Kind, Rule
from collector.alarms.places import about_broker
from collector.domain.lab import Lab, PlaceKind, Series
from collector.domain.readings import FUTURE_TOLERANCE_MS
from collector.domain.units import show_duration

_INTERVALS = 3
"""So many reporting intervals at least, where habits are heeded: one lost reading is no silence."""


def _place(rule: Rule, ground: Ground) -> None:
    if about_broker(rule):
        ground.add_link(LinkLost(ground.seat(rule, 0), ground.link, ground.trees))
    else:
        for members in _together(ground, list(ground.fitting(rule))):
            _Planting(rule, ground).plant(members)


def _together(ground: Ground, covered: Iterable[Series]) -> list[list[list[Series]]]:
    """The series of each probe, those of one bin that can be taken together in one list."""
    probes: dict[tuple[str, str], list[Series]] = {}
    for one in covered:
        probes.setdefault((one.probe, one.place), []).append(one)
    alone: list[list[list[Series]]] = []
    bins: dict[str, list[list[Series]]] = {}
    for (probe, place), members in probes.items():
        known = ground.lab.by_id.get(place)
        bin_ = known.bin if known is not None else ""
        if (probe, place) in ground.subjects and ("", bin_) in ground.subjects:
            bins.setdefault(bin_, []).append(members)
        else:
            alone.append([members])
    return alone + list(bins.values())


class _Planting:
    """One rule's silences on their way into trees."""

    def __init__(self, rule: Rule, ground: Ground) -> None:
        self._rule, self._ground = rule, ground

    def plant(self, probes: Sequence[Sequence[Series]]) -> None:
        """A tree for a bin of several probes, for a single probe, or for each of its series."""
        members = [one for probe in probes for one in probe]
        if len(probes) > 1:
            whole = self._silence(self._ground.subjects["", self._ground.lab.by_id[members[0].place].bin], members)
            tops = [_over(whole, [silence for probe in probes for silence in self._probe(probe)])]
        else:
            tops = self._probe(members)
        for top in tops:
            within = members if top.children else [one for one in members if one.id == top.key.series]
            self._ground.add_tree(Tree(top, [self._ground.tracks[one.id] for one in within]))

    def _probe(self, members: Sequence[Series]) -> list[Silence]:
        """The silence of a probe; those of its series where it has but one, or where it has no number of its own."""
        number = self._ground.subjects.get((members[0].probe, members[0].place))
        if len(members) == 1 or number is None:
            return [self._silence(one.id, [one]) for one in members]
        whole = self._silence(number, members)
        return [_over(whole, [self._silence(one.id, [one]) for one in members])]

    def _silence(self, number: int, members: Sequence[Series]) -> Silence:
        ground = self._ground
        created_ms = max(ground.created_ms(one.id) for one in members)
        every_ms = max(ground.pace(one)[0] for one in members)
        heard_ms, seat = ground.heard_ms(members), ground.seat(self._rule, number)
        silence = Silence(seat, heard_ms, created_ms, every_ms, self._habit(number, members[0], heard_ms))
        ground.add(silence)
        return silence

    def _habit(self, number: int, one: Series, heard_ms: int | None) -> Habit | None:
        """Of a single series; at a brewer minutes count, and nothing is usual."""
        rule, place = self._rule, self._ground.lab.by_id.get(one.place)
        if not rule.at_most_ms or number != one.id or (place is not None and place.kind is PlaceKind.BREWER):
            return None
        least_ms = max(round(rule.setpoint), _INTERVALS * self._ground.pace(one)[0])
        gaps = self._ground.gaps(AlarmKey(rule.name, number))
        return Habit(least_ms + rule.on_delay_ms, rule.at_most_ms + rule.on_delay_ms, heard_ms, gaps)


def _over(top: Silence, children: list[Silence]) -> Silence:
    top.children = children
    for child in children:
        child.parent = top
    return top


def _same_bin(rule: Rule, series: Series, known: Sequence[Series], lab: Lab) -> list[Series]:
    """Those of its bin, else of its place, decide which of them speaks."""
    group = _group(lab, series.place)
    return [one for one in known if _group(lab, one.place) == group]


def _group(lab: Lab, place: str) -> str:
    known = lab.by_id.get(place)
    return known.bin if known is not None and known.bin else place


def _outlasted(setpoint: float | None, off_delay_ms: int | None) -> Iterator[Clash]:
    if off_delay_ms is not None and setpoint is not None and off_delay_ms >= setpoint > 0:
        yield Clash("off_delay", "is not shorter than the setpoint; it could outlast the next silence", ("setpoint",))


def _doubts(rule: Rule, lab: Lab) -> Iterator[Doubt]:
    if rule.at_most_ms and about_broker(rule):
        message = "means nothing for the link to the broker, which has no habits"
        yield Doubt(rule=rule, field="at_most", message=message, because=("where",))
    if rule.at_most_ms or about_broker(rule):
        return
    slowest = doubts.slowest_ms(rule, lab)
    after_ms = round(rule.setpoint) + rule.on_delay_ms
    if after_ms < 2 * slowest:
        message = (
            f"{show_duration(after_ms)} is under two reporting intervals ({show_duration(2 * slowest)}):"
            " one lost reading raises it"
        )
        yield Doubt(rule=rule, field="setpoint", message=message, because=("on_delay", "where", "measure"))


def _wrong(said: Subject) -> str:
    if said.link:
        return "no connection to the broker"
    return f"no usable {said.measure} reading" if said.series.measure else f"no usable reading {_from(said)}"


def _right_again(said: Subject) -> str:
    if said.link:
        return "connected to the broker again"
    return f"{said.measure} heard again" if said.series.measure else f"heard again {_from(said)}"


def _from(said: Subject) -> str:
    return f"from probe {said.line(said.series.probe)}" if said.series.probe else "from any of its probes"


SILENT = RuleKind(
    kind=Kind.SILENT,
    means="no reading",
    about=About.PROBE,
    words=Words(wrong=_wrong, right_again=_right_again),
    takes=("measure", "at_most", *DELAYS),
    setpoint=lasting("how long without a reading", "30 min"),
    watches_link=True,
    clashes=_outlasted,
    place=_place,
    memory_ms=lambda rule, slowest_ms: (
        max(round(rule.setpoint), rule.at_most_ms) + rule.on_delay_ms + FUTURE_TOLERANCE_MS
    ),
    beside=_same_bin,
    doubts=_doubts,
)
