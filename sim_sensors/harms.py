"""Harm: what the truth must not come to. Judged on the true state, never on what a probe says.

A harm begins when a limit is passed. It becomes lasting, beyond mending, when it has stood for its `grace_ms`, or
at once where a worse limit is passed. Whoever can act must know `acting_ms` before that: `know_by`. A harm that ends
before it is lasting did no damage: telling of it is no false alarm, and not telling of it is no miss.

harm             limit                          lasting after, or at once  acting  sources of the limits
bedding-dry      under 60 % wet basis           48 h, or under 50 %        4 h     Edwards 2004 table 18.3; FAO 2011
bedding-wet      over 90 %                      48 h                       4 h     Edwards 2004 table 18.3
bedding-airless  under 10 % of the pores air    24 h                       4 h     Grable and Siemer 1968, from memory
bedding-hot      over 30 degC                   12 h, or over 35 degC      2 h     Edwards 2004; breeding tables: 35-37
bedding-cold     under 4 degC                   24 h, or under 0 degC      2 h     Edwards 2004; no frost is tolerated
worms-dying      over 2 % a day of 10 g or more 3 h, or over 100 % a day   2 h     ours
oxygen-low       under 6 mg/L while it brews    1 h, or under 2 mg/L       10 min  growers' practice: 6, or 5.5
brew-overdue     air on for 36 h                12 h (48 h in all)         2 h     growers' sheets: 24-36 h, range 12-48
tea-stale        air off for 4 h                4 h (8 h in all)           1 h     4-6 h; 8 h after bottling
sump-full        over 90 %                      7 d, or full               4 h     ours
unwatched        tray or room: no readings      24 h                       4 h     ours
                 brewer: no readings            1 h                        15 min  ours

The times are common practice, no source, but for those of brews. The bedding around a hot pocket counts, not the
pocket: worms retreat from it.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from sim_sensors import probe_faults, truth
from sim_sensors.pack import Fact
from sim_sensors.physics import tray, worms
from sim_sensors.physics.brewer import Phase, Tea
from sim_sensors.physics.school import DAY_MS, HOUR_MS
from sim_sensors.physics.tray import Bedding, Tray
from sim_sensors.scenario import Scenario
from sim_sensors.world import World

MIN_MS = 60_000
DRY_PCT, DRY_LASTING_PCT = 60.0, 50.0
WET_PCT = 90.0
HOT_C, HOT_LASTING_C = 30.0, 35.0
COLD_C, COLD_LASTING_C = 4.0, 0.0
DYING_PER_DAY, DYING_LASTING_PER_DAY = 0.02, 1.0
FEW_KG = 0.01
"""A tray with fewer worms than this has lost them already."""
OXYGEN_MG_L, OXYGEN_LASTING_MG_L = 6.0, 2.0
BREW_S = 36 * 3600.0
HELD_S = 4 * 3600.0
SUMP_PCT, SUMP_LASTING_PCT = 90.0, 99.9


@dataclass(frozen=True, slots=True)
class Times:
    grace_ms: int
    acting_ms: int


TIMES = {
    "bedding-dry": Times(48 * HOUR_MS, 4 * HOUR_MS),
    "bedding-wet": Times(48 * HOUR_MS, 4 * HOUR_MS),
    "bedding-airless": Times(24 * HOUR_MS, 4 * HOUR_MS),
    "bedding-hot": Times(12 * HOUR_MS, 2 * HOUR_MS),
    "bedding-cold": Times(24 * HOUR_MS, 2 * HOUR_MS),
    "worms-dying": Times(3 * HOUR_MS, 2 * HOUR_MS),
    "oxygen-low": Times(HOUR_MS, 10 * MIN_MS),
    "brew-overdue": Times(12 * HOUR_MS, 2 * HOUR_MS),
    "tea-stale": Times(4 * HOUR_MS, HOUR_MS),
    "sump-full": Times(7 * DAY_MS, 4 * HOUR_MS),
    "unwatched": Times(24 * HOUR_MS, 4 * HOUR_MS),
}
UNWATCHED_BREW = Times(HOUR_MS, 15 * MIN_MS)

Harm = tuple[str, str]
"""(what, place)"""


def times(scenario: Scenario, harm: Harm) -> Times:
    what, place = harm
    if what == "unwatched" and any(brew.place == place for brew in scenario.brewers):
        return UNWATCHED_BREW
    return TIMES[what]


def standing(scenario: Scenario, world: World) -> Iterator[tuple[Harm, bool]]:
    """Harms that stand at this moment, each with whether the worse limit is passed."""
    for setup, bed in zip(scenario.trays, world.trays, strict=True):
        yield from (((what, setup.place), worse) for what, worse in _of_tray(setup.spec, bed))
    for one, kg in zip(scenario.bins, world.sumps_kg, strict=True):
        if 100 * kg / one.sump_kg > SUMP_PCT:
            yield ("sump-full", one.name), 100 * kg / one.sump_kg >= SUMP_LASTING_PCT
    for brew, tea in zip(scenario.brewers, world.brewers, strict=True):
        yield from (((what, brew.place), worse) for what, worse in _of_tea(tea))
    for fault in scenario.probe_faults:
        if probe_faults.blinds(fault, world.elapsed_ms):
            yield ("unwatched", fault.place), False


def _of_tray(spec: Tray, bed: Bedding) -> Iterator[tuple[str, bool]]:
    moisture, temp = bed.moisture_pct, bed.temp_c
    living = tray.living(spec, bed)
    if moisture < DRY_PCT:
        yield "bedding-dry", moisture < DRY_LASTING_PCT
    if moisture > WET_PCT:
        yield "bedding-wet", False
    if living.air_share < worms.AIRLESS:
        yield "bedding-airless", False
    if temp > HOT_C:
        yield "bedding-hot", temp > HOT_LASTING_C
    if temp < COLD_C:
        yield "bedding-cold", temp < COLD_LASTING_C
    dying = worms.dying_per_day(living)
    if bed.worms_kg > FEW_KG and dying > DYING_PER_DAY:
        yield "worms-dying", dying > DYING_LASTING_PER_DAY


def _of_tea(tea: Tea) -> Iterator[tuple[str, bool]]:
    if tea.phase in (Phase.STEADY, Phase.BREWING) and tea.oxygen_mg_l < OXYGEN_MG_L:
        yield "oxygen-low", tea.oxygen_mg_l < OXYGEN_LASTING_MG_L
    if tea.phase is Phase.BREWING and tea.phase_s > BREW_S:
        yield "brew-overdue", False
    if tea.phase is Phase.HELD and tea.phase_s > HELD_S:
        yield "tea-stale", False


class Watch:
    """Harms as they begin, become lasting and end."""

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self._since_ms: dict[Harm, int] = {}
        self._lasting: set[Harm] = set()

    def changes(self, world: World) -> list[Fact]:
        """What changed since the moment before, as facts: ends, beginnings, then what became lasting."""
        now: dict[Harm, bool] = {}
        for harm, worse in standing(self._scenario, world):
            now[harm] = now.get(harm, False) or worse
        if not now and not self._since_ms:
            return []
        told = [Fact(world.t_ms, "harm", *harm, "end") for harm in sorted(self._since_ms.keys() - now)]
        for harm in [harm for harm in self._since_ms if harm not in now]:
            del self._since_ms[harm]
            self._lasting.discard(harm)
        for harm in sorted(now.keys() - self._since_ms):
            self._since_ms[harm] = world.t_ms
            told.append(self._fact(harm, world.t_ms, "begin", world.t_ms + times(self._scenario, harm).grace_ms))
        return told + [self._became_lasting(harm, world.t_ms) for harm in sorted(now) if self._lasts(harm, now, world)]

    def _lasts(self, harm: Harm, now: dict[Harm, bool], world: World) -> bool:
        if harm in self._lasting:
            return False
        return now[harm] or world.t_ms - self._since_ms[harm] >= times(self._scenario, harm).grace_ms

    def _became_lasting(self, harm: Harm, t_ms: int) -> Fact:
        self._lasting.add(harm)
        return self._fact(harm, t_ms, "lasting", t_ms)

    def _fact(self, harm: Harm, t_ms: int, phase: str, lasting_ms: int) -> Fact:
        """For a harm that begins, `know_by` is the latest it can be: a worse limit may be passed within the grace."""
        since = {"since": truth.iso(self._since_ms[harm])} if phase == "lasting" else {}
        know_by_ms = lasting_ms - times(self._scenario, harm).acting_ms
        return Fact(t_ms, "harm", *harm, phase, {**since, "know_by": truth.iso(know_by_ms)})
