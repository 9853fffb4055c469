"""What the alarms of a lab are made on, and what has been made there: series with their clocks, alarms, silences."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np

from collector.alarms.chunk import Times, chunk
from collector.alarms.contexts import Contexts
from collector.alarms.gates import Gate
from collector.alarms.kinds.alarm import Alarm, Ledger, Seat
from collector.alarms.kinds.derived import Derived
from collector.alarms.kinds.first_cause import LinkLost, Tree
from collector.alarms.kinds.habit import Gap
from collector.alarms.kinds.reference import Reference
from collector.alarms.kinds.threshold import Threshold
from collector.alarms.model import AlarmKey, AlarmState, Rule
from collector.alarms.places import BROKER, holds_at
from collector.alarms.start import BEFORE_ALL, EVERY_MS, GAP_MS, Kept, Running, Site
from collector.alarms.track import Track
from collector.domain.calibration_points import is_uncalibrated
from collector.domain.lab import Series
from collector.domain.probe_models import limits_for

_NOTHING: Times = np.empty(0, np.int64)


class Ground:
    """`tracks`: the series that have readings; `series`: those of them that are judged, as one without a calibration is
    not; `subjects`: (probe, place) -> number of those that have none."""

    def __init__(self, site: Site, kept: Kept, running: Running, contexts: Contexts) -> None:
        self.lab, self.link, self._contexts = site.lab, running.link, contexts
        self.zone = ZoneInfo(site.lab.time_zone)
        self._states, self._created_ms = kept.states, site.created_ms
        self._newest, self._recent, self._start_ms = kept.newest, kept.recent, running.start_ms
        self._habits = kept.habits
        self._out = _probes_out(site.series, kept.states)
        self.places = {one.id: one.place for one in site.series} | {0: BROKER}
        measured = [one for one in site.series if one.measure]
        self._channels = {(p.id, c.key): (p, c) for p in site.lab.probes for c in p.channels}
        raw = {key for key, (_, channel) in self._channels.items() if is_uncalibrated(channel)}
        self.series = [one for one in measured if (one.probe, one.channel) not in raw]
        self.subjects = {(one.probe, one.place): one.id for one in site.series if not one.measure}
        self.ledger = Ledger()
        self.tracks = {one.id: Track(one.place, kept.newest.get(one.id)) for one in measured}
        self.alarms: dict[AlarmKey, Alarm] = {}
        self.trees: list[Tree] = []
        self.tree_of: dict[AlarmKey, Tree] = {}
        self.links: list[LinkLost] = []

    # What a kind asks

    def seat(self, rule: Rule, number: int) -> Seat:
        """Where an alarm of the rule at this series is made from what is kept of it."""
        key = AlarmKey(rule.name, number)
        saved = self._states.get(key) or AlarmState(key=key)
        if not saved.out_by:
            saved = replace(saved, out_by=self._out.get(number, ""))
        return Seat(rule=rule, saved=saved, ledger=self.ledger, gate=Gate(rule, self.places[number], self._contexts))

    def fitting(self, rule: Rule) -> Iterator[Series]:
        """The series at which the rule makes an alarm."""
        return (one for one in self.series if holds_at(rule, one.measure, one.place))

    def pace(self, series: Series) -> tuple[int, int]:
        """How often a series reports, and how long a gap makes what came before it stale."""
        probe, channel = self._channels.get((series.probe, series.channel), (None, None))
        if probe is None or channel is None:
            return EVERY_MS, GAP_MS
        return probe.every_ms, limits_for(channel.measure, channel.model, probe.every_ms, channel.unit).gap_ms

    def created_ms(self, number: int) -> int:
        """When the series became known."""
        return self._created_ms.get(number, 0)

    def heard_ms(self, members: Sequence[Series]) -> int | None:
        """When one of these was last heard before the start, as far as the journal knows."""
        return max((ms for one in members if (ms := self._heard(one.id)[0]) is not None), default=None)

    def gaps(self, key: AlarmKey) -> Sequence[Gap]:
        """What is known of the gaps of a series."""
        return self._habits.get(key, ())

    def ahead(self, number: int) -> Times:
        """The usable readings of a series that are stamped after the start: its clock runs ahead."""
        return self._heard(number)[1]

    def _heard(self, number: int) -> tuple[int | None, Times]:
        """When a series was last heard before the start, and what it has said for after that."""
        usable_ms = self._newest[number].usable_ms if number in self._newest else None
        rows = self._recent.get(number)
        if usable_ms is None or not usable_ms > self._start_ms > BEFORE_ALL or rows is None:
            return usable_ms, _NOTHING
        times = chunk(rows.t_ms, rows.value, rows.flags, rows.out).heard_ms
        cut = int(times.searchsorted(self._start_ms, "right"))
        return int(times[cut - 1]) if cut else None, times[cut:]

    def reference(self, series: Series, user: Series) -> Reference:
        """What the readings of `user` are held against."""
        track, theirs = self.tracks[series.id], self.tracks[user.id]
        if track.reference is None:
            track.reference = Reference(*self.pace(series))
        if track.reference not in theirs.compared:
            theirs.compared.append(track.reference)
            track.reference.users.append(theirs)
        return track.reference

    # What a kind makes

    def add(self, alarm: Alarm) -> None:
        """Let an alarm run, with the readings of its series where these move it."""
        self.alarms[alarm.key] = alarm
        if isinstance(alarm, Derived):
            self.tracks[alarm.key.series].derived.append(alarm)
        elif isinstance(alarm, Threshold):
            self.tracks[alarm.key.series].alarms.append(alarm)

    def add_tree(self, tree: Tree) -> None:
        """Let silences that have been added be decided together."""
        self.trees.append(tree)
        for silence in tree.silences:
            self.tree_of[silence.key] = tree
            if not silence.children:
                self.tracks[silence.key.series].silences.append((silence, tree))

    def add_link(self, lost: LinkLost) -> None:
        """Let an alarm of the link to the broker run."""
        self.add(lost)
        self.links.append(lost)


def _probes_out(series: Sequence[Series], states: Mapping[AlarmKey, AlarmState]) -> dict[int, str]:
    """The series of probes that are out of service, and by whose command: alarms new there are out too."""
    probe_of = {one.id: one.probe for one in series if one.probe}
    out = {key.series: state.out_by for key, state in states.items() if state.out_by}
    by = {probe_of[number]: who for number, who in out.items() if number in probe_of}
    return {number: by[probe] for number, probe in probe_of.items() if probe in by}
