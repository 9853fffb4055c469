"""Making the alarms of a rule set for the series of a lab, with what the journal kept of them."""

from collections.abc import Mapping, Sequence

from collector.alarms.chunk import Readings
from collector.alarms.contexts import Contexts
from collector.alarms.gates import Gate
from collector.alarms.kinds.alarm import Alarm
from collector.alarms.kinds.first_cause import Tree
from collector.alarms.kinds.ground import Ground
from collector.alarms.kinds.table import kind_of
from collector.alarms.model import AlarmKey, AlarmState, Rule
from collector.alarms.start import BEFORE_ALL, EVERY_MS, Kept, Running, Site
from collector.domain.lab import Lab


def memory_ms(rules: Sequence[Rule], lab: Lab) -> int:
    """How far before the newest reading of each series stored rows must reach for a restart to change nothing."""
    slowest = max((probe.every_ms for probe in lab.probes), default=EVERY_MS)
    return max((kind_of(rule).memory_ms(rule, slowest) for rule in rules), default=0)


def build(rules: Sequence[Rule], site: Site, kept: Kept, running: Running) -> Ground:
    """All alarms, at the point where what is kept left them, heeding the contexts."""
    contexts = Contexts(site.lab) if running.contexts is None else running.contexts
    ground = Ground(site, kept, running, contexts)
    for rule in rules:
        kind_of(rule).place(rule, ground)
    for lost in ground.links:
        lost.stand_again()
    _set_clocks(ground, kept.states)
    _heed(ground, running.start_ms)
    _remember(ground, kept.recent, kept.since_ms)
    _hold(ground)
    return ground


def _set_clocks(ground: Ground, states: Mapping[AlarmKey, AlarmState]) -> None:
    for state in states.values():
        track = ground.tracks.get(state.key.series)
        if track is not None:
            track.clock_ms = max(track.clock_ms, state.changed_ms)
    for tree in ground.trees:
        for silence in tree.silences:
            for clock in tree.clocks if silence.key in states else ():
                clock.clock_ms = max(clock.clock_ms, silence.changed)


def _heed(ground: Ground, start_ms: int) -> None:
    """What contexts said up to the clock of each alarm, or up to `start_ms` where it has none, has had its effect."""
    clocks = {tree: tree.clock_ms() for tree in ground.trees}
    for alarm in ground.alarms.values():
        clock_ms = _clock_of(ground, clocks, alarm)
        alarm.heed(start_ms if clock_ms == BEFORE_ALL else clock_ms)
    for track in ground.tracks.values():
        track.set_flip()


def _clock_of(ground: Ground, clocks: Mapping[Tree, int], alarm: Alarm) -> int:
    """Up to when contexts have had their effect on an alarm."""
    tree = ground.tree_of.get(alarm.key)
    if tree is not None:
        return clocks[tree]
    track = ground.tracks.get(alarm.key.series)
    return track.clock_ms if track is not None else alarm.changed or BEFORE_ALL


def _remember(ground: Ground, recent: Mapping[int, Readings], since_ms: int) -> None:
    """What windows and comparisons look back at; references first, since the rest is held against them."""
    for number, readings in recent.items():
        track = ground.tracks.get(number)
        if track is not None and track.reference is not None and readings.t_ms.size:
            track.reference.remember(readings, since_ms)
    for number, readings in recent.items():
        track = ground.tracks.get(number)
        for alarm in track.derived if track is not None and readings.t_ms.size else ():
            alarm.remember(readings)


def _hold(ground: Ground) -> None:
    """Silences are still to hear what a clock that runs ahead has stamped after the start."""
    for number, track in ground.tracks.items():
        for silence, tree in track.silences:
            tree.hold(silence, ground.ahead(number))


def follow(ground: Ground, contexts: Contexts) -> None:
    """Heed these contexts; each alarm goes on from where it was with others."""
    for key, alarm in ground.alarms.items():
        alarm.follow(Gate(alarm.rule, ground.places[key.series], contexts), alarm.heeded)
    for track in ground.tracks.values():
        track.set_flip()
