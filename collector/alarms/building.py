"""Making the alarms of a rule set for the series of a lab, with what the journal kept of them."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from zoneinfo import ZoneInfo

from collector.alarms.alarm import Alarm, Ledger
from collector.alarms.chunk import Readings
from collector.alarms.compare import BEFORE_ALL, KEEP_MS, Compared, Reference, Squeezed
from collector.alarms.contexts import Contexts
from collector.alarms.derived import Derived, Rate, Suspect, delays_ms
from collector.alarms.first_cause import LinkLost, Tree
from collector.alarms.forecast import Forecast, stretch_ms
from collector.alarms.gates import Gate
from collector.alarms.model import SQUEEZE_TEST, AlarmKey, AlarmState, Kind, Link, Newest, Rule
from collector.alarms.overdue import Overdue, is_about
from collector.alarms.places import BROKER, about_broker, holds_at
from collector.alarms.silence import Silence
from collector.alarms.threshold import Threshold
from collector.alarms.track import Track
from collector.domain.lab import Lab, Series
from collector.domain.probe_models import limits_for

EVERY_MS = 60_000
GAP_MS = 300_000
"""Of a series whose probe the lab does not know."""


def reference_of(rule: Rule, series: Series, all_series: Sequence[Series]) -> Series | None:
    """The series a `deviation` or `discrepancy` at this one is held against. A `deviation` takes the first in the lab
    file that measures what is asked for where it is asked for. Of two probes of one place the one whose id sorts later
    has the alarm, wherever they stand in the file."""
    if rule.kind is Kind.DEVIATION:
        measure, _, place = rule.against.partition(" at ")
        found = [one for one in all_series if (one.measure, one.place) == (measure, place)]
    else:
        beside = (one for one in all_series if (one.measure, one.place) == (series.measure, series.place))
        found = sorted(beside, key=lambda one: (one.probe, one.channel))
    return found[0] if found and found[0].id != series.id else None


def pace(lab: Lab, series: Series) -> tuple[int, int]:
    """How often a series reports, and how long a gap makes what came before it stale."""
    for probe in lab.probes:
        for channel in probe.channels:
            if (probe.id, channel.key) == (series.probe, series.channel):
                limits = limits_for(channel.measure, channel.model, probe.every_ms, channel.unit)
                return probe.every_ms, limits.gap_ms
    return EVERY_MS, GAP_MS


def memory_ms(rules: Sequence[Rule], lab: Lab) -> int:
    """How far before the newest reading of each series stored rows must reach for a restart to change nothing."""
    slowest = max((probe.every_ms for probe in lab.probes), default=EVERY_MS)
    most = 0
    for rule in rules:
        if rule.kind is Kind.SILENT:
            most = max(most, round(rule.setpoint) + rule.on_delay_ms)
        elif rule.kind is Kind.FORECAST:
            most = max(most, rule.window_ms + 2 * stretch_ms(rule.window_ms) + delays_ms(rule))
        elif rule.kind in (Kind.DEVIATION, Kind.DISCREPANCY):
            most = max(most, KEEP_MS + max(7 * slowest, GAP_MS) + delays_ms(rule))
        elif rule.window_ms:
            most = max(most, rule.window_ms + delays_ms(rule))
    return most


def _probes_out(series: Sequence[Series], states: Mapping[AlarmKey, AlarmState]) -> dict[int, str]:
    """The series of probes that are out of service, and by whose command: alarms new there are out too."""
    probe_of = {one.id: one.probe for one in series if one.probe}
    out = {key.series: state.out_by for key, state in states.items() if state.out_by}
    by = {probe_of[number]: who for number, who in out.items() if number in probe_of}
    return {number: by[probe] for number, probe in probe_of.items() if probe in by}


class Builder:
    """What an engine is made of. Everything is found in its attributes once it is made."""

    def __init__(
        self,
        rules: Sequence[Rule],
        series: Sequence[Series],
        lab: Lab,
        states: Mapping[AlarmKey, AlarmState],
        newest: Mapping[int, Newest | tuple[int, int | None]],
        created_ms: Mapping[int, int],
        link: Link,
    ) -> None:
        self._lab, self._states, self._created_ms, self._link = lab, states, created_ms, link
        self._newest = {number: Newest(*pair) for number, pair in newest.items()}
        self._series = [one for one in series if one.measure]
        self._subjects = {(one.probe, one.place): one.id for one in series if not one.measure}
        self._zone = ZoneInfo(lab.time_zone)
        self._out = _probes_out(series, states)
        self.places = {one.id: one.place for one in series} | {0: BROKER}
        self.ledger = Ledger()
        self.tracks = {one.id: Track(one.place, self._newest.get(one.id)) for one in self._series}
        self.keys: dict[AlarmKey, Alarm] = {}
        self.trees: list[Tree] = []
        self.tree_of: dict[AlarmKey, Tree] = {}
        self.links: list[LinkLost] = []
        self.squeezed: list[Squeezed] = []
        self.overdue: list[Overdue] = []
        for rule in rules:
            self._place(rule)
        for lost in self.links:
            lost.stand_again()
        self._set_clocks()

    def _saved(self, rule: Rule, number: int) -> AlarmState:
        key = AlarmKey(rule.name, number)
        saved = self._states.get(key) or AlarmState(key)
        return saved if saved.out_by else replace(saved, out_by=self._out.get(number, ""))

    def _place(self, rule: Rule) -> None:
        if about_broker(rule):
            lost = LinkLost(rule, self._saved(rule, 0), self.ledger, self._link, self.trees)
            self.links.append(lost)
            self.keys[lost.key] = lost
        elif rule.kind is Kind.OVERDUE:
            self._place_overdue(rule)
        elif rule.kind is Kind.SILENT:
            self._place_silences(rule, [one for one in self._series if holds_at(rule, one.measure, one.place)])
        else:
            for one in self._series:
                if holds_at(rule, one.measure, one.place):
                    self._place_at(rule, one)

    def _place_at(self, rule: Rule, series: Series) -> None:
        track = self.tracks[series.id]
        if rule.kind in (Kind.HIGH, Kind.LOW):
            alarm: Threshold = Threshold(rule, self._saved(rule, series.id), self.ledger)
            track.alarms.append(alarm)
        else:
            derived = self._derived(rule, series, track)
            if derived is None:
                return
            track.derived.append(derived)
            alarm = derived
        self.keys[alarm.key] = alarm

    def _derived(self, rule: Rule, series: Series, track: Track) -> Derived | None:
        saved = self._saved(rule, series.id)
        if rule.kind is Kind.RATE:
            return Rate(rule, saved, self.ledger, pace(self._lab, series)[1])
        if rule.kind is Kind.SUSPECT:
            return Suspect(rule, saved, self.ledger)
        if rule.kind is Kind.FORECAST:
            return Forecast(rule, saved, self.ledger, self._zone)
        if rule.against == SQUEEZE_TEST:
            self.squeezed.append(Squeezed(rule, saved, self.ledger, series.place))
            return self.squeezed[-1]
        beside = reference_of(rule, series, self._series)
        return None if beside is None else Compared(rule, saved, self.ledger, self._reference(beside, track))

    def _reference(self, series: Series, user: Track) -> Reference:
        track = self.tracks[series.id]
        if track.reference is None:
            track.reference = Reference(*pace(self._lab, series))
        if track.reference not in user.compared:
            user.compared.append(track.reference)
            track.reference.users.append(user)
        return track.reference

    def _place_overdue(self, rule: Rule) -> None:
        for place in self._lab.places:
            number = self._subjects.get(("", place.id))
            if number is not None and is_about(rule, place):
                created_ms = self._created_ms.get(number, 0)
                alarm = Overdue(rule, self._saved(rule, number), self.ledger, place.id, created_ms)
                self.overdue.append(alarm)
                self.keys[alarm.key] = alarm

    # Silences

    def _place_silences(self, rule: Rule, covered: Sequence[Series]) -> None:
        """A tree for each bin whose probes can be taken together, for each other probe, else for each series."""
        probes: dict[tuple[str, str], list[Series]] = {}
        for one in covered:
            probes.setdefault((one.probe, one.place), []).append(one)
        bins: dict[str, list[list[Series]]] = {}
        for (probe, place), members in probes.items():
            known = self._lab.by_id.get(place)
            bin_ = known.bin if known is not None else ""
            if (probe, place) in self._subjects and ("", bin_) in self._subjects:
                bins.setdefault(bin_, []).append(members)
            else:
                self._plant(self._probe(rule, members), members)
        for bin_, groups in bins.items():
            if len(groups) == 1:
                self._plant(self._probe(rule, groups[0]), groups[0])
                continue
            members = [one for group in groups for one in group]
            top = self._group(rule, self._subjects["", bin_], bin_, members)
            self._grow(top, [silence for group in groups for silence in self._probe(rule, group)])
            self._plant([top], members)

    def _probe(self, rule: Rule, members: Sequence[Series]) -> list[Silence]:
        """The silence of a probe; those of its series where it has but one, or where it has no number of its own."""
        number = self._subjects.get((members[0].probe, members[0].place))
        if len(members) == 1 or number is None:
            return [self._leaf(rule, one) for one in members]
        top = self._group(rule, number, members[0].place, members)
        self._grow(top, [self._leaf(rule, one) for one in members])
        return [top]

    def _leaf(self, rule: Rule, series: Series) -> Silence:
        heard = self._newest[series.id].usable_ms if series.id in self._newest else None
        return self._silence(rule, series.id, series.place, heard, [series])

    def _group(self, rule: Rule, number: int, place: str, members: Sequence[Series]) -> Silence:
        heard = [self._newest[one.id].usable_ms for one in members if one.id in self._newest]
        return self._silence(rule, number, place, max((ms for ms in heard if ms is not None), default=None), members)

    def _silence(self, rule: Rule, number: int, place: str, heard: int | None, members: Sequence[Series]) -> Silence:
        created_ms = max(self._created_ms.get(one.id, 0) for one in members)
        every_ms = max(pace(self._lab, one)[0] for one in members)
        silence = Silence(rule, self._saved(rule, number), self.ledger, place, heard, created_ms, every_ms)
        self.keys[silence.key] = silence
        return silence

    def _grow(self, top: Silence, children: Sequence[Silence]) -> None:
        top.children = list(children)
        for child in children:
            child.parent = top

    def _plant(self, tops: Sequence[Silence], members: Sequence[Series]) -> None:
        for top in tops:
            below = members if top.children else [one for one in members if one.id == top.key.series]
            tree = Tree(top, [self.tracks[one.id] for one in below])
            self.trees.append(tree)
            for silence in tree.silences:
                self.tree_of[silence.key] = tree
                if not silence.children:
                    self.tracks[silence.key.series].silences.append((silence, tree))

    # What is known already

    def _set_clocks(self) -> None:
        for state in self._states.values():
            track = self.tracks.get(state.key.series)
            if track is not None:
                track.clock_ms = max(track.clock_ms, state.changed_ms)
        for tree in self.trees:
            for silence in tree.silences:
                for clock in tree.clocks if silence.key in self._states else ():
                    clock.clock_ms = max(clock.clock_ms, silence.changed)

    def remember(self, recent: Mapping[int, Readings], since_ms: int) -> None:
        """What windows and comparisons look back at; references first, since the rest is held against them."""
        for number, readings in recent.items():
            track = self.tracks.get(number)
            if track is not None and track.reference is not None and readings.t_ms.size:
                track.reference.remember(readings, since_ms)
        for number, readings in recent.items():
            track = self.tracks.get(number)
            for alarm in track.derived if track is not None and readings.t_ms.size else ():
                alarm.remember(readings)

    def follow(self, contexts: Contexts, start_ms: int | None = None) -> None:
        """Heed these contexts. What they said up to the clock of each alarm, or up to `start_ms` where it has none, has
        had its effect; without a `start_ms` each alarm goes on from where it was with others."""
        for squeezed in self.squeezed:
            squeezed.follow(contexts)
        for overdue in self.overdue:
            overdue.follow(contexts)
        for key, alarm in self.keys.items():
            from_ms = alarm.heeded
            if start_ms is not None:
                clock_ms = self._clock_of(alarm)
                from_ms = start_ms if clock_ms == BEFORE_ALL else clock_ms
            alarm.heed(Gate(alarm.rule, self.places[key.series], contexts), from_ms)
        for track in self.tracks.values():
            track.set_flip()

    def _clock_of(self, alarm: Alarm) -> int:
        """Up to when contexts have had their effect on an alarm."""
        tree = self.tree_of.get(alarm.key)
        if tree is not None:
            return tree.clock_ms()
        track = self.tracks.get(alarm.key.series)
        return track.clock_ms if track is not None else alarm.changed or BEFORE_ALL
