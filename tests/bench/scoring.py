"""What people were told, held against what was true. Pure.

A harm counts where it became lasting (see `sim_sensors.harms`): it was told in time where some message about it, or
about what leads to it, arrived by its `know_by`; late where only afterwards; else missed. A message is needless where
nothing in it has to do with a harm, lasting or not, or with something gone wrong, at its place and about that time: in
a year in which nothing goes wrong every alarm is.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median
from typing import NamedTuple

from sim_sensors.pack import Fact
from tests.bench.playing import HOUR_MS, MIN_MS, Played, Poured, Told

AHEAD_MS = 72 * HOUR_MS
"""So long before a harm a warning may come and still be about it."""
AT_ONCE_MS = 30 * MIN_MS
"""A harm that nothing foretold, such as a bucket poured in at once, is told in time within this of its beginning."""
AFTER_MS = 24 * HOUR_MS
"""So long after its end what it did may still be told: a tray that was dried out, a probe that was mended."""

_DRY = frozenset({"bedding-dry", "bedding-drying", "bedding-drying-fast", "bedding-dry-ahead"})
_WET = frozenset({"bedding-wet", "bedding-waterlogged", "sump-filling", "sump-full"})
_HOT = frozenset({"bedding-hot", "bedding-warm", "bedding-heating", "heat-wave-ahead", "room-air-hot"})
_COLD = frozenset({"bedding-near-freezing", "bedding-cool", "bedding-freezing-ahead", "room-air-cold"})
_PROBE = frozenset({"probe-silent", "probe-doubtful", "probe-battery-low", "broker-lost", "tea-air-unknown"})
_AIR = frozenset({"tea-air-stopped", "tea-air-unknown", "tea-oxygen-low", "tea-oxygen-share-low"})
ABOUT: Mapping[str, frozenset[str]] = {
    "bedding-dry": _DRY,
    "bedding-wet": _WET,
    "bedding-airless": _WET,
    "bedding-hot": _HOT,
    "bedding-cold": _COLD,
    "worms-dying": _DRY | _WET | _HOT | _COLD,
    "oxygen-low": _AIR,
    "brew-overdue": frozenset({"tea-window-over"}),
    "tea-stale": frozenset({"tea-stale"}),
    "sump-full": _WET,
    "unwatched": _PROBE,
}
"""Harm -> the alarms that tell of it or of what leads to it."""


class Episode(NamedTuple):
    """One harm from its beginning to its end."""

    what: str
    place: str
    begin_ms: int
    end_ms: int
    know_by_ms: int
    lasting: bool


class Verdict(NamedTuple):
    episode: Episode
    told_ms: int | None

    @property
    def in_time(self) -> bool:
        by_ms = max(self.episode.know_by_ms, self.episode.begin_ms + AT_ONCE_MS)
        return self.told_ms is not None and self.told_ms <= by_ms

    @property
    def lead_h(self) -> float | None:
        return None if self.told_ms is None else (self.episode.know_by_ms - self.told_ms) / HOUR_MS


@dataclass(frozen=True, slots=True)
class Score:
    verdicts: tuple[Verdict, ...]
    needless: tuple[Told, ...]
    """The first alarm of each needless message."""
    messages: int
    days: float
    poured: tuple[Poured, ...]

    @property
    def harms(self) -> int:
        return len(self.verdicts)

    @property
    def in_time(self) -> int:
        return sum(one.in_time for one in self.verdicts)

    @property
    def missed(self) -> int:
        return sum(one.told_ms is None for one in self.verdicts)

    @property
    def late(self) -> int:
        return self.harms - self.in_time - self.missed

    @property
    def needless_per_month(self) -> float:
        return len(self.needless) / (self.days / 30)

    @property
    def median_lead_h(self) -> float | None:
        leads = [one.lead_h for one in self.verdicts if one.lead_h is not None]
        return median(leads) if leads else None

    @property
    def water_off_pct(self) -> float | None:
        """How far advised amounts of water were from what was needed, in the middle."""
        return median(one.off_pct for one in self.poured) if self.poured else None


def score(played: Played) -> Score:
    episodes = episodes_of(played.facts)
    faults = [one for one in episodes_of(played.facts, "fault") if one.what != ""]
    verdicts = tuple(Verdict(one, _told_ms(one, played.told)) for one in episodes if one.lasting)
    needless = tuple(group[0] for group in _messages(played.told) if not _needful(group, episodes, faults))
    return Score(verdicts, needless, played.messages, played.days, tuple(played.poured))


def together(scores: Iterable[Score]) -> Score:
    found = list(scores)
    return Score(
        tuple(verdict for one in found for verdict in one.verdicts),
        tuple(told for one in found for told in one.needless),
        sum(one.messages for one in found),
        sum(one.days for one in found),
        tuple(poured for one in found for poured in one.poured),
    )


def episodes_of(facts: Sequence[Fact], kind: str = "harm") -> list[Episode]:
    """Those of one kind, in the order of their beginnings; what has not ended lasts to the end of the story."""
    last_ms = facts[-1].t_ms if facts else 0
    begun: dict[tuple[str, str, str], Episode] = {}
    found: list[Episode] = []
    for fact in (fact for fact in facts if fact.kind == kind):
        key = (fact.name, fact.place, f"{fact.values.get('probe', '')}/{fact.values.get('channel', '')}")
        if fact.phase == "begin":
            begun[key] = Episode(fact.name, fact.place, fact.t_ms, last_ms, _know_by(fact), lasting=False)
        elif fact.phase == "lasting" and key in begun:
            begun[key] = begun[key]._replace(know_by_ms=_know_by(fact), lasting=True)
        elif fact.phase == "end" and key in begun:
            found.append(begun.pop(key)._replace(end_ms=fact.t_ms))
    return sorted([*found, *begun.values()], key=lambda one: (one.begin_ms, one.what, one.place))


def _know_by(fact: Fact) -> int:
    given = fact.values.get("know_by")
    return fact.t_ms if given is None else round(datetime.fromisoformat(str(given)).timestamp() * 1000)


def _told_ms(episode: Episode, told: Iterable[Told]) -> int | None:
    """When somebody first heard of it. What was over before the harm began had nothing to do with it."""
    about = [one for one in told if _about(one, episode)]
    times = [
        one.t_ms
        for one in about
        if one.why in ("news", "digest")
        and one.event != "cleared"
        and episode.begin_ms - AHEAD_MS <= one.t_ms <= episode.end_ms + AFTER_MS
        and not _over_before(one, about, episode.begin_ms)
    ]
    return min(times, default=None)


def _over_before(one: Told, about: Iterable[Told], begin_ms: int) -> bool:
    """Whether people were told of its end before then."""
    return any(
        later.event == "cleared"
        and (later.rule, later.place) == (one.rule, one.place)
        and one.t_ms <= later.t_ms < begin_ms
        for later in about
    )


def _about(one: Told, episode: Episode) -> bool:
    weather = one.place == "room" and one.rule in _HOT | _COLD
    return one.rule in ABOUT[episode.what] and (weather or _near(one.place, episode.place))


def _near(told: str, true: str) -> bool:
    """The place itself, its bin, or the broker that all of it hangs on."""
    return told in (true, true.partition("/")[0], "broker")


def _same_bin(told: str, true: str) -> bool:
    """What goes wrong in one tray warms, wets or dries its neighbours; what goes wrong in the room or with the gateway
    reaches all."""
    return true in ("", "room") or told == "broker" or told.partition("/")[0] == true.partition("/")[0]


def _messages(told: Iterable[Told]) -> list[list[Told]]:
    """What one person got at once; digests come every school morning and are nobody's needless message."""
    groups: dict[tuple[int, str], list[Told]] = {}
    for one in (one for one in told if one.why != "digest"):
        groups.setdefault((one.t_ms, one.role), []).append(one)
    return list(groups.values())


def _needful(group: Sequence[Told], episodes: Sequence[Episode], faults: Sequence[Episode]) -> bool:
    return any(
        any(_about(one, episode) and _about_then(one, episode) for episode in episodes)
        or any(_same_bin(one.place, fault.place) and _about_then(one, fault) for fault in faults)
        for one in group
    )


def _about_then(one: Told, episode: Episode) -> bool:
    """Whether the alarm's own time, or the message's, touches the episode's."""
    return one.since_ms <= episode.end_ms + AFTER_MS and one.t_ms >= episode.begin_ms - AHEAD_MS
