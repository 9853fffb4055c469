"""What was foretold with a span, and whether it held: moisture of trays 60 h ahead, and moments that alarms name."""

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from collector.alarms.kinds.table import direction
from collector.alarms.model import Rule
from collector.pipeline.pipeline import Pipeline
from collector.reports.ahead_view import trays_ahead
from collector.store.reader import Reader
from sim_sensors.pack import Fact
from tests.bench.playing import HOUR_MS, Played

AHEAD_MS = 60 * HOUR_MS
TOUCHES = frozenset({"lesson", "dry_out", "flood", "heat"})
TRUE_OF = {
    "bedding_temperature": "temperature_c",
    "bedding_moisture": "moisture_pct",
    "air_temperature": "temperature_c",
}


class Foretold(NamedTuple):
    """One tray's moisture as it was foretold, % wet basis."""

    place: str
    t_ms: int
    at_ms: int
    level: float
    low: float
    about: float
    high: float


class Span(NamedTuple):
    """A span that was said, and what came."""

    kind: str
    held: bool
    off: float = 0.0
    """Error of the middle, and of 'no change'; for moisture, points."""
    off_no_change: float = 0.0


class Foresight:
    """Asks each school morning what lies ahead, as the letters and `ahead` would say it."""

    def __init__(self) -> None:
        self.found: list[Foretold] = []

    def ask(self, pipeline: Pipeline, reader: Reader, rules: Sequence[Rule], now_ms: int) -> None:
        at_ms = now_ms + AHEAD_MS
        for one in trays_ahead(pipeline.lab, rules, reader, reader.diary(), now_ms, at_ms):
            if one.at_end is not None:
                low, high = sorted((one.at_end.low, one.at_end.high))
                self.found.append(Foretold(one.place, now_ms, at_ms, one.level, low, one.at_end.about, high))


def judged(played: Played, foretold: Iterable[Foretold]) -> list[Span]:
    """Those whose tray nobody touched meanwhile, and every moment an alarm named for a place nobody touched."""
    states: dict[str, list[tuple[int, Mapping[str, object]]]] = {}
    for fact in played.facts:
        if fact.kind == "state":
            states.setdefault(fact.place, []).append((fact.t_ms, fact.values))
    touched = [f for f in played.facts if f.kind == "care" or (f.kind == "fault" and f.name in TOUCHES)]
    return [*_of_trays(foretold, states, touched), *_of_alarms(played, states, touched)]


States = Mapping[str, Sequence[tuple[int, Mapping[str, object]]]]


def _of_trays(foretold: Iterable[Foretold], states: States, touched: Sequence[Fact]) -> Iterable[Span]:
    for one in foretold:
        came = [values for t_ms, values in states.get(one.place, ()) if abs(t_ms - one.at_ms) <= HOUR_MS // 2]
        if came and not _touched(touched, one.place, one.t_ms - 6 * HOUR_MS, one.at_ms):
            true = float(str(came[0]["moisture_pct"]))
            yield Span("moisture 60 h", one.low <= true <= one.high, abs(true - one.about), abs(true - one.level))


def _of_alarms(played: Played, states: States, touched: Sequence[Fact]) -> Iterable[Span]:
    rules = {rule.name: rule for rule in played.rules}
    seen = set()
    for one in played.told:
        rule, key = rules.get(one.rule), (one.rule, one.place, one.since_ms)
        if one.span_ms is None or one.why != "news" or rule is None or key in seen or rule.measure not in TRUE_OF:
            continue
        seen.add(key)
        early_ms, late_ms = one.span_ms
        if _touched(touched, one.place, one.t_ms, late_ms) or late_ms > played.facts[-1].t_ms:
            continue
        way, name = direction(rule), TRUE_OF[rule.measure]
        passed = [
            t_ms
            for t_ms, values in states.get(one.place, ())
            if t_ms >= one.t_ms - HOUR_MS and way * (float(str(values[name])) - rule.setpoint) > 0
        ]
        yield Span(one.rule, bool(passed) and early_ms - HOUR_MS // 2 <= passed[0] <= late_ms + HOUR_MS // 2)


def _touched(touched: Sequence[Fact], place: str, begin_ms: int, end_ms: int) -> bool:
    bin_name = place.partition("/")[0]
    return any(begin_ms <= f.t_ms <= end_ms and f.place in (place, bin_name) for f in touched)
