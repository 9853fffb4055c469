"""A better deadband or delay for an alarm that calls too often, tried on the readings it called about.

    advise(rule, series, stage, until_ms, tried) -> Advice

The alarm's own condition is run over the stored readings by the engine, first as it is and then with one setting
changed, each setting going up rung by rung until the needless calls are gone. One setting at a time, so that what the
change did can be seen. What is needless:

    chattering   every alarm of a bout but the first (three or more within an hour make a bout)
    fleeting     an alarm by itself that was gone within an hour

A change helps if at least nine in ten of these are gone, no true alarm is lost or comes much later, and none stands for
over a day mostly without cause. The condition is there in earnest where it holds for more than half of the readings
around (those of a tenth of the time to respond, or of an hour where that is shorter); an alarm, or a bout as a whole,
is true if it was there in earnest for at least as long, and comes much later if by more than that (common practice, no
source). For kinds other than `high` and `low` it is what stood for as long without a break under the rule as it is.

Of the changes that help, the smallest is the one under which the alarm stands most nearly while the condition is there
in earnest: the time it stands without, and the time it does not stand with it, are added up.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from collector.alarms.audit.history import bouts
from collector.alarms.audit.limits import CHATTER_HOUR_MS, FLEETING_HOUR_MS, HOUR, MINUTE, STALE_MS
from collector.alarms.audit.trial import Stage, Stand, no_trial, run
from collector.alarms.chunk import Readings
from collector.alarms.kinds.kind import About
from collector.alarms.kinds.table import direction, kind_of
from collector.alarms.model import Rule
from collector.domain.lab import Series
from collector.domain.readings import USABLE
from collector.domain.units import MEASURES, MS

GONE = 0.9
"""Share of the needless alarms that must be gone."""
FLEETING_NUMBER = 3
"""Fewer fleeting alarms than this are no habit (common practice, no source)."""
_DELAYS = tuple(minutes * MINUTE for minutes in (1, 2, 3, 5, 10, 15, 20, 30, 45, 60, 90, 120, 180, 240, 360))
_LONGEST_PART = 4
"""No delay is tried that takes more than this part of the time to respond."""
_DEADBANDS = {
    "temperature": (0.2, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0),
    "percent": (0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0),
    "humidity": (1.0, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0),
    "oxygen": (0.1, 0.2, 0.3, 0.5, 1.0, 1.5, 2.0),
    "voltage": (0.02, 0.05, 0.1, 0.2, 0.3, 0.5),
}
"""By dimension of the measure, in its canonical unit."""


class Edit(NamedTuple):
    """One setting of a rule, old and new, written as in a rule file."""

    field: str
    old: str
    new: str


class Stretch(NamedTuple):
    since_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """A bout of chattering, or an alarm by itself, under the rule as it is."""

    raised_ms: int
    ended_ms: int
    wanted_ms: int
    """From when on people had to know: when it was raised or, where that came later, there in earnest."""
    number: int
    true: bool
    fleeting: bool
    worst: float | None

    @property
    def lasted_ms(self) -> int:
        """From when it was first told to its end."""
        return self.ended_ms - self.raised_ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What one changed setting would have done with the same readings."""

    edit: Edit
    alarms: int
    """Alarms that would have been told."""
    gone: int
    """Needless ones that would not."""
    later_ms: tuple[int, ...]
    """How much later than it had to be each true alarm would have been told."""
    missed: tuple[Episode, ...]
    """True alarms that would not have been told."""
    unheard: tuple[Episode, ...]
    """Others of which nothing would have been told."""
    longer_ms: int
    """How much longer the alarm would have stood in all; negative: shorter."""
    off_ms: int
    """How long the alarm would have stood while the condition was not there in earnest, or not stood while it was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What is wrong with an alarm and what would have helped."""

    fault: str
    """'chattering', 'fleeting' or nothing."""
    alarms: int
    """Told by the rule as it is over the stored readings."""
    needless: int
    bouts: int
    true: int
    best: Trial | None = None
    others: tuple[Trial, ...] = ()
    """The smallest change of each other setting that would have helped too."""
    why_not: str = ""
    """Why there is no suggestion."""


def rungs(rule: Rule) -> int:
    """How many runs `advise` makes at most, and how often it calls `tried`."""
    return 0 if no_trial(rule) else 1 + sum(len(rules) for rules in _ladders(rule))


def advise(rule: Rule, series: Series, stage: Stage, until_ms: int, tried: Callable[[], None]) -> Advice:
    """`tried` is called after each run, and for each that turned out not to be needed."""
    reason = no_trial(rule) or ("none of its readings are kept any more" if stage.first_ms is None else "")
    if reason:
        return Advice(fault="", alarms=0, needless=0, bouts=0, true=0, why_not=reason)
    stands = run(rule, series, stage, until_ms)
    tried()
    earnest = _earnest(rule, stage.readings.get(series.id), stands)
    episodes = _episodes(rule, stands, earnest)
    found = _diagnosis(stands, episodes)
    if not found.fault:
        return found
    helping: list[Trial] = []
    every_ms = _every_ms(stage.readings.get(series.id))
    for ladder in _ladders(rule):
        helped = False
        for changed in ladder:
            if not helped and not _hasty(rule, changed, every_ms):
                after = run(changed, series, stage, until_ms)
                trial = _trial(_edit(rule, changed), after, stands, episodes, earnest, found.fault)
                helped = _helps(rule, trial, found.needless) and not _idle(after, earnest)
                helping += [trial] * helped
            tried()
    if not helping:
        return replace(found, why_not="no longer delay or wider deadband within reason would have helped; " + _ELSE)
    best = min(helping, key=lambda trial: trial.off_ms)
    return replace(found, best=best, others=tuple(trial for trial in helping if trial is not best))


def _helps(rule: Rule, trial: Trial, needless: int) -> bool:
    in_time = max(trial.later_ms, default=0) <= _window_ms(rule)
    return trial.gone >= GONE * needless and not trial.missed and in_time


def _every_ms(readings: Readings | None) -> float:
    """How often the series reports; 0 where it has no readings of its own."""
    return 0.0 if readings is None or readings.t_ms.size < 2 else float(np.median(np.diff(readings.t_ms)))


def _hasty(rule: Rule, changed: Rule, every_ms: float) -> bool:
    """Whether the new on-delay is under two reporting intervals, so that `rules check` would warn of it."""
    return rule.on_delay_ms != changed.on_delay_ms < 2 * every_ms


_ELSE = "look at the probe and where it sits, or move the setpoint"


def _window_ms(rule: Rule) -> int:
    return min(HOUR, rule.time_to_respond_ms // 10)


def _earnest(rule: Rule, readings: Readings | None, stands: Sequence[Stand]) -> list[Stretch]:
    """When the condition was there in earnest."""
    if readings is None or kind_of(rule).about is not About.LEVEL:
        spans = [Stretch(stand.raised_ms, stand.ended_ms) for stand in stands]
        return [span for span in spans if span.until_ms - span.since_ms >= _window_ms(rule)]
    told = np.isin(readings.flags, USABLE) & np.isfinite(readings.value)
    times, value = readings.t_ms[told], readings.value[told]
    beyond = value > rule.setpoint if direction(rule) > 0 else value < rule.setpoint
    sums = np.concatenate(([0], np.cumsum(beyond)))
    half = _window_ms(rule) // 2
    first, end = times.searchsorted(times - half), times.searchsorted(times + half, "right")
    most = 2 * (sums[end] - sums[first]) > end - first
    edges = np.flatnonzero(np.diff(np.concatenate(([False], most, [False])).astype(np.int8)))
    last = len(times) - 1
    return [Stretch(int(times[a]), int(times[min(b, last)])) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _episodes(rule: Rule, stands: Sequence[Stand], earnest: Sequence[Stretch]) -> list[Episode]:
    runs = bouts([stand.raised_ms for stand in stands], CHATTER_HOUR_MS)
    inside = {number for first, end in runs for number in range(first, end)}
    alone = [(number, number + 1) for number in range(len(stands)) if number not in inside]
    return [_episode(rule, stands[first:end], earnest) for first, end in sorted(runs + alone)]


def _episode(rule: Rule, stands: Sequence[Stand], earnest: Sequence[Stretch]) -> Episode:
    first, last = stands[0], stands[-1]
    there = _overlap([Stretch(first.since_ms, last.ended_ms)], earnest)
    wanted = (max(span.since_ms, first.raised_ms) for span in earnest if span.until_ms > first.since_ms)
    values = [stand.worst for stand in stands if stand.worst is not None]
    return Episode(
        raised_ms=first.raised_ms,
        ended_ms=last.ended_ms,
        wanted_ms=min(next(wanted, last.ended_ms), last.ended_ms),
        number=len(stands),
        true=there >= _window_ms(rule),
        fleeting=len(stands) == 1 and last.cleared and last.ended_ms - first.raised_ms < FLEETING_HOUR_MS,
        worst=(min if kind_of(rule).about is About.LEVEL and direction(rule) < 0 else max)(values) if values else None,
    )


def _diagnosis(stands: Sequence[Stand], episodes: Sequence[Episode]) -> Advice:
    chattering = [episode for episode in episodes if episode.number > 1]
    repeats = sum(episode.number - 1 for episode in chattering)
    fleeting = sum(episode.fleeting for episode in episodes)
    true = sum(episode.true for episode in episodes)
    if repeats:
        return Advice(fault="chattering", alarms=len(stands), needless=repeats, bouts=len(chattering), true=true)
    if fleeting >= FLEETING_NUMBER:
        return Advice(fault="fleeting", alarms=len(stands), needless=fleeting, bouts=0, true=true)
    reason = (
        f"over the readings that are kept the rule as it is now alarms {len(stands)} times and neither chatters nor"
    )
    return Advice(
        fault="",
        alarms=len(stands),
        needless=0,
        bouts=0,
        true=true,
        why_not=f"{reason} flits: no delay is at fault; {_ELSE}",
    )


def _idle(stands: Sequence[Stand], earnest: Sequence[Stretch]) -> bool:
    """Whether the alarm would have been stale, and the condition not there in earnest for half of that time."""
    long = [Stretch(stand.raised_ms, stand.ended_ms) for stand in stands if stand.ended_ms - stand.raised_ms > STALE_MS]
    return any(2 * _overlap([stretch], earnest) < stretch.until_ms - stretch.since_ms for stretch in long)


class _Heard(NamedTuple):
    """How an episode would have been told."""

    alarms: int
    stood: bool
    """Whether the alarm stood already from before, so that each further one is a repeat."""
    later_ms: int | None
    """How long after they had to people would have known; None: not at all."""


def _trial(
    edit: Edit,
    after: Sequence[Stand],
    before: Sequence[Stand],
    episodes: Sequence[Episode],
    earnest: Sequence[Stretch],
    fault: str,
) -> Trial:
    raised = [stand.raised_ms for stand in after]
    heard = [(episode, _heard(episode, after, raised)) for episode in episodes]
    total = sum(_needless(episode, _Heard(episode.number, False, 0), fault) for episode in episodes)
    left = sum(_needless(episode, how, fault) for episode, how in heard)
    silent = [episode for episode, how in heard if how.later_ms is None]
    stand = [Stretch(told.raised_ms, told.ended_ms) for told in after]
    stood = sum(told.ended_ms - told.raised_ms for told in before)
    return Trial(
        edit=edit,
        alarms=len(after),
        gone=total - left,
        later_ms=tuple(how.later_ms for episode, how in heard if episode.true and how.later_ms is not None),
        missed=tuple(episode for episode in silent if episode.true),
        unheard=tuple(episode for episode in silent if not episode.true),
        longer_ms=_length(stand) - stood,
        off_ms=_length(stand) + _length(earnest) - 2 * _overlap(stand, earnest),
    )


def _heard(episode: Episode, after: Sequence[Stand], raised: Sequence[int]) -> _Heard:
    first, end = bisect_left(raised, episode.raised_ms), bisect_right(raised, episode.ended_ms)
    if first and after[first - 1].ended_ms > episode.raised_ms:
        return _Heard(end - first, True, 0)
    return _Heard(end - first, False, max(0, raised[first] - episode.wanted_ms) if end > first else None)


def _needless(episode: Episode, heard: _Heard, fault: str) -> int:
    if fault == "chattering":
        return max(0, heard.alarms - (not heard.stood)) if episode.number > 1 else 0
    return heard.alarms if episode.fleeting else 0


def _length(stretches: Sequence[Stretch]) -> int:
    return sum(stretch.until_ms - stretch.since_ms for stretch in stretches)


def _overlap(one: Sequence[Stretch], other: Sequence[Stretch]) -> int:
    """How much of the time is in both; each rises in time and does not overlap itself."""
    total = i = k = 0
    while i < len(one) and k < len(other):
        total += max(0, min(one[i].until_ms, other[k].until_ms) - max(one[i].since_ms, other[k].since_ms))
        if one[i].until_ms <= other[k].until_ms:
            i += 1
        else:
            k += 1
    return total


# ---- what is tried -----------------------------------------------------------------------------------------------


def _ladders(rule: Rule) -> list[list[Rule]]:
    """The rule with one setting changed, each setting from the smallest step to the largest."""
    longest = rule.time_to_respond_ms // _LONGEST_PART
    delays = [ms for ms in _DELAYS if ms <= longest]
    off = [replace(rule, off_delay_ms=ms) for ms in delays if ms > rule.off_delay_ms]
    if kind_of(rule).setpoint.lasting:
        longer = [replace(rule, setpoint=float(ms)) for ms in delays if ms > rule.setpoint]
        return [[shorter for shorter in off if shorter.off_delay_ms < rule.setpoint], longer]
    on = [replace(rule, on_delay_ms=ms) for ms in delays if ms > rule.on_delay_ms]
    return [[replace(rule, deadband=width) for width in _widths(rule)], off, on]


def _widths(rule: Rule) -> Iterator[float]:
    """Wider deadbands that still let the alarm clear."""
    measure = MEASURES[rule.measure]
    for width in _DEADBANDS.get(measure.dimension, ()):
        if width > rule.deadband and kind_of(rule).clears_with(rule, width):
            yield width


def _edit(rule: Rule, changed: Rule) -> Edit:
    if changed.deadband != rule.deadband:
        unit = MEASURES[rule.measure].unit
        return Edit("deadband", f"{rule.deadband:g} {unit}", f"{changed.deadband:g} {unit}")
    if changed.off_delay_ms != rule.off_delay_ms:
        return Edit("off_delay", written(rule.off_delay_ms), written(changed.off_delay_ms))
    if changed.on_delay_ms != rule.on_delay_ms:
        return Edit("on_delay", written(rule.on_delay_ms), written(changed.on_delay_ms))
    return Edit("setpoint", written(round(rule.setpoint)), written(round(changed.setpoint)))


def written(ms: int) -> str:
    """A duration as a rule file takes it: '90 min', '2 h', '45 s'."""
    unit = next((unit for unit in ("d", "h", "min") if ms and ms % MS[unit] == 0), "s")
    return f"{ms / MS[unit]:.10g} {unit}"
