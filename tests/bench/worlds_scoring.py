"""What people were told in drawn labs, held against what was true there. Pure.

Truth alone says what a harm is (`sim_sensors.harms`) and what needs a person: a harm that comes or was just there, at
the place of the message or in its bin; something that people left wrong there (a lid, a bucket of feed, a
blocked drain, a pump); or, for what is said of a probe, a probe that needs hands. Not such are a radio that was away
and came back, a probe laid aside for an hour, a lid opened for a lesson, sun or a night that did no harm. Which subject
an alarm has comes from its kind and measure, so that an alarm of another name is judged all the same.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from collector.alarms.kinds.kind import About
from collector.alarms.kinds.table import direction, kind_of
from collector.alarms.model import Rule
from sim_sensors.pack import Fact
from sim_sensors.scenario import Scenario
from tests.bench.playing import DAY_MS, HOUR_MS, Played, Told
from tests.bench.scoring import AFTER_MS, AHEAD_MS, Episode, Verdict, episodes_of
from tests.bench.worlds_spans import Span

DRY, WET, HOT, COLD, AIR, TIME, PROBE, OTHER = "dry", "wet", "hot", "cold", "air", "time", "probe", "other"
TELLS: Mapping[str, frozenset[str]] = {
    "bedding-dry": frozenset({DRY}),
    "bedding-wet": frozenset({WET}),
    "bedding-airless": frozenset({WET}),
    "bedding-hot": frozenset({HOT}),
    "bedding-cold": frozenset({COLD}),
    "worms-dying": frozenset({DRY, WET, HOT, COLD}),
    "oxygen-low": frozenset({AIR}),
    "brew-overdue": frozenset({TIME}),
    "tea-stale": frozenset({TIME}),
    "sump-full": frozenset({WET}),
    "unwatched": frozenset({PROBE}),
}
"""Harm -> subjects of the alarms that tell of it."""
_OF_MEASURE = {
    "dissolved_oxygen": AIR,
    "oxygen_saturation": AIR,
    "air_pump": AIR,
    "leachate_level": WET,
    "battery": PROBE,
}
LEFT_WRONG: Mapping[str, frozenset[str]] = {
    "dry_out": frozenset({DRY, COLD}),
    "heat": frozenset({HOT, WET}),
    "flood": frozenset({WET, COLD}),
    "drain_blocked": frozenset({WET}),
    "pump_stop": frozenset({AIR}),
    "pump_weak": frozenset({AIR}),
    "brew_forgotten": frozenset({TIME}),
}
"""What people left wrong -> what may be said of it, harm or not."""
NEEDS_HANDS = frozenset(
    {"unplugged", "stuck", "sentinel", "spike", "wrong_calibration", "drift", "air_gap", "in_pocket", "dying_battery"}
)
LEFT_OUT_MS = 4 * HOUR_MS
"""A probe beside the bin for longer was forgotten there."""
GAP_MS = 24 * HOUR_MS
"""A gap of the radio that is longer needs somebody."""
_SAID_AFTER_MS = 12 * HOUR_MS


def subjects(rule: Rule) -> frozenset[str]:
    """What an alarm tells of."""
    about, measure = kind_of(rule).about, rule.measure or ""
    if about is About.PROBE:
        return frozenset({PROBE, AIR}) if _OF_MEASURE.get(measure) == AIR else frozenset({PROBE})
    if about is About.DEED:
        return frozenset({TIME})
    if measure in _OF_MEASURE:
        return frozenset({_OF_MEASURE[measure]})
    if about is About.GAP and measure == "bedding_moisture":
        return frozenset({PROBE, DRY, WET})
    up = direction(rule) > 0
    if measure == "bedding_moisture":
        return frozenset({WET if up else DRY})
    if measure in ("bedding_temperature", "air_temperature"):
        return frozenset({HOT if up else COLD})
    return frozenset({OTHER})


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one world."""

    name: str
    calm: bool
    days: float
    verdicts: tuple[Verdict, ...]
    needless: tuple[tuple[Told, str], ...]
    """The first alarm of each needless message to the teacher, with what was the matter just then."""
    messages: int
    """To the teacher."""
    most_a_day: int
    unsafe: int
    advised: int
    """Amounts of water, and those of them after which the tray is wetter than 88 % or its bedding is full."""
    spans: tuple[Span, ...]
    cpu_s: float = 0.0


def outcome(scenario: Scenario, played: Played, calm: bool, spans: Sequence[Span], cpu_s: float) -> Outcome:
    about = {rule.name: subjects(rule) for rule in played.rules}
    harms = episodes_of(played.facts)
    faults = episodes_of(played.facts, "fault")
    groups = messages(one for one in played.told if one.role == "teacher" and one.why != "digest")
    needless = [g for g in groups if not any(needful(one, about.get(one.rule, _NONE), harms, faults) for one in g)]
    advised = [one for one in played.told if one.advised_l]
    return Outcome(
        name=scenario.name,
        calm=calm,
        days=played.days,
        verdicts=tuple(Verdict(one, told_ms(one, played.told, about)) for one in harms if one.lasting),
        needless=tuple((group[0], circumstance(group[0], faults)) for group in needless),
        messages=len(groups),
        most_a_day=max(Counter(group[0].t_ms // DAY_MS for group in groups).values(), default=0),
        unsafe=sum(_unsafe(one, played.facts, scenario) for one in advised),
        advised=len(advised),
        spans=tuple(spans),
        cpu_s=cpu_s,
    )


_NONE: frozenset[str] = frozenset({OTHER})


def messages(told: Iterable[Told]) -> list[list[Told]]:
    """What a person got at once."""
    groups: dict[int, list[Told]] = {}
    for one in told:
        groups.setdefault(one.t_ms, []).append(one)
    return list(groups.values())


def needful(one: Told, about: frozenset[str], harms: Sequence[Episode], faults: Sequence[Episode]) -> bool:
    return any(
        about & TELLS[harm.what] and _near(one.place, harm.place) and _then(one, harm, AHEAD_MS, AFTER_MS)
        for harm in harms
        if harm.what != "unwatched" or harm.lasting
    ) or any(_fault_needs(one, about, fault) for fault in faults)


def _fault_needs(one: Told, about: frozenset[str], fault: Episode) -> bool:
    if not _then(one, fault, 0, _SAID_AFTER_MS) or not _near(one.place, fault.place):
        return False
    if fault.what in LEFT_WRONG:
        return bool(about & LEFT_WRONG[fault.what])
    if PROBE not in about:
        return False
    long_ms = fault.end_ms - fault.begin_ms
    left_out = fault.what == "out_of_bedding" and long_ms >= LEFT_OUT_MS
    return fault.what in NEEDS_HANDS or left_out or (fault.what == "gateway_outage" and long_ms >= GAP_MS)


def told_ms(harm: Episode, told: Iterable[Told], about: Mapping[str, frozenset[str]]) -> int | None:
    """When somebody first heard of it, or of what leads to it, and had not heard since that it was over."""
    tells = TELLS[harm.what]
    first: dict[tuple[str, str, str], int] = {}
    for one in told:
        if not about.get(one.rule, _NONE) & tells or not _near(one.place, harm.place):
            continue
        key = (one.rule, one.place, one.probe)
        if one.event == "cleared" or one.came_and_went:
            if one.t_ms < harm.begin_ms:
                first.pop(key, None)
        elif harm.begin_ms - AHEAD_MS <= one.t_ms <= harm.end_ms + AFTER_MS:
            first.setdefault(key, one.t_ms)
    return min(first.values(), default=None)


def circumstance(one: Told, faults: Iterable[Episode]) -> str:
    """What had to do with a needless message, for who mends it: the handling, gap or weather of that time."""
    names = {f.what for f in faults if _near(one.place, f.place) and _then(one, f, 0, 2 * HOUR_MS)}
    for name in ("out_of_bedding", "lesson", "sun", "heat_wave", "heating_off", "elsewhere", "drift", "air_gap"):
        if name in names:
            return name
    return "radio_gaps" if "radio_gaps" in names else "nothing"


def _near(told: str, true: str) -> bool:
    """The place itself, its bin or another tray of it; the room and the broker concern all."""
    if told in ("room", "broker") or true in ("", "room"):
        return True
    return told.partition("/")[0] == true.partition("/")[0]


def _then(one: Told, episode: Episode, ahead_ms: int, after_ms: int) -> bool:
    """Whether the alarm's own time, or the message's, touches the episode's."""
    return one.since_ms <= episode.end_ms + after_ms and one.t_ms >= episode.begin_ms - ahead_ms


def _unsafe(one: Told, facts: Sequence[Fact], scenario: Scenario) -> bool:
    """Whether the tray would be too wet with the water that was advised."""
    before = [f for f in facts if f.kind == "state" and f.place == one.place and f.t_ms <= one.t_ms]
    spec = next((t.spec for t in scenario.trays if t.place == one.place), None)
    if not before or spec is None or one.advised_l is None:
        return False
    dry_kg, water_kg = (float(str(before[-1].values[key])) for key in ("dry_kg", "water_kg"))
    after_kg = water_kg + one.advised_l
    return 100 * after_kg / (after_kg + dry_kg) > 88 or after_kg > 0.9 * spec.full * dry_kg
