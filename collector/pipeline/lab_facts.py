"""What letters need to know: from the collector's memory, and from the journal where memory does not reach so far."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from collector.alarms.kinds.kind import About
from collector.alarms.kinds.table import kind_of
from collector.alarms.model import STANDING, AlarmKey, AlarmState, Priority, Rule
from collector.domain.diary import DiaryEntry
from collector.domain.lab import Lab, Person, Series
from collector.domain.readings import StoredReading
from collector.husbandry.watering import TrayNow
from collector.letters.doubtful import is_usable
from collector.letters.facts import Usual
from collector.letters.links import LINK_LASTS_MS, Ack, link_url, sign
from collector.letters.tray_facts import tray_now
from collector.letters.trouble import beyond
from collector.store.errors import StoreError
from collector.telling.message_plan import Item

DAY_MS = 86_400_000
USUAL_DAYS = 14
LEAST_DAYS = 2
"""Less history than this says nothing about what is usual."""

_ORDER = list(Priority)

Means = Callable[[int, int, int], Sequence[tuple[int, float]]]
"""(series, since_ms, until_ms) -> hour and mean of each hour that has a good reading; may raise StoreError."""


def _no_means(_series: int, _since_ms: int, _until_ms: int) -> Sequence[tuple[int, float]]:
    """Where there is no journal to ask."""
    return ()


@dataclass(frozen=True, slots=True)
class LetterSources:
    """Beyond the memory of the pipeline. `board_url` empty: no links."""

    means: Means = _no_means
    board_url: str = ""
    link_secret: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class LabFacts:
    """LetterFacts as they are at this moment; see `collector.letters.facts.LetterFacts`."""

    lab: Lab
    last: Mapping[int, StoredReading]
    known: Mapping[int, Series]
    states: Callable[[], Mapping[AlarmKey, AlarmState]]
    sources: LetterSources
    rules: Mapping[str, Rule] = field(default_factory=dict)
    diary: Callable[[], Sequence[DiaryEntry]] = tuple[DiaryEntry, ...]

    def newest(self, series: Series) -> StoredReading | None:
        """Its newest reading, of any quality."""
        return self.last.get(series.id)

    def usual(self, series: Series, now_ms: int) -> Usual | None:
        """The 10 % and 90 % points of the hourly means of the last two weeks."""
        try:
            rows = self.sources.means(series.id, now_ms - USUAL_DAYS * DAY_MS, now_ms)
        except StoreError:
            return None  # a letter goes out without it
        if not rows:
            return None
        days = (now_ms - rows[0][0]) / DAY_MS
        if days < LEAST_DAYS or len(rows) < LEAST_DAYS * 24 // 2:
            return None
        low, high = np.percentile(np.array([mean for _, mean in rows]), (10, 90)).tolist()
        return Usual(low, high, min(USUAL_DAYS, round(days)))

    def tray_now(self, place: str, now_ms: int) -> TrayNow | None:
        """From the newest readings, the diary and the alarms that stand."""
        newest = [(series, self.last[number]) for number, series in self.known.items() if number in self.last]
        return tray_now(self.lab, place, newest, self.diary(), list(self._stands()), now_ms)

    def _stands(self) -> Iterator[tuple[Rule, str]]:
        for key, state in self.states().items():
            rule, series = self.rules.get(key.rule), self.known.get(key.series)
            if rule is not None and series is not None and state.state in STANDING:
                yield rule, series.place

    def acknowledged_ms(self, key: AlarmKey) -> int | None:
        """When somebody acknowledged what stands, if so."""
        state = self.states().get(key)
        return None if state is None else state.acked_ms

    def still_standing(self, rule: Rule, series: Series) -> Rule | None:
        """The most urgent other alarm of the same kind that stands, and whose limit the newest reading has passed."""
        last = self.last.get(series.id)
        if kind_of(rule).about is not About.LEVEL or last is None or last.value is None or not is_usable(last):
            return None
        states = (state for key, state in self.states().items() if key.series == series.id and key.rule != rule.name)
        standing = (self.rules.get(state.key.rule) for state in states if state.state in STANDING and state.active)
        same = [
            other for other in standing if other is not None and other.kind is rule.kind and beyond(other, last.value)
        ]
        return max(same, key=lambda other: _ORDER.index(other.priority), default=None)

    def acknowledge_url(self, item: Item, person: Person, now_ms: int) -> str:
        """Good for one occurrence of one alarm, for two weeks."""
        base, secret, change = self.sources.board_url, self.sources.link_secret, item.transition
        if not base or not secret or change.raised_ms is None:
            return ""
        rule, series = item.rule.name, item.series
        ack = Ack(
            rule=rule,
            place=series.place,
            series=change.key.series,
            raised_ms=change.raised_ms,
            role=person.role,
            expires_ms=now_ms + LINK_LASTS_MS,
        )
        return link_url(base, sign(secret, ack))
