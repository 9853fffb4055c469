"""The digest of a school morning: how each bin is, what the class does today, what stands, what came and went, which
probes need care, and on the last day before a break what will happen meanwhile.

Pure: `reports/digest_view.py` gathers the view, `sections` puts it into words.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

from collector.alarms.kinds.kind import About
from collector.alarms.kinds.table import direction, kind_of
from collector.alarms.model import Priority, Rule
from collector.domain.calibration_points import is_uncalibrated
from collector.domain.diary import Brew, DiaryEntry, DiaryKind
from collector.domain.lab import Lab, Person, Place, PlaceKind, Series
from collector.domain.readings import StoredReading, Why
from collector.domain.said_quantities import in_units_of
from collector.domain.squeeze import IN_SHORT
from collector.domain.units import MEASURES, show_duration, show_value
from collector.husbandry.ahead import TrayAhead
from collector.letters.advice import advice
from collector.letters.ahead_words import ahead_line
from collector.letters.blocks import Section
from collector.letters.brew_words import brew_line
from collector.letters.doubtful import is_usable
from collector.letters.fresh import fresh_moisture
from collector.letters.local_time import clock_time, day_words, utc
from collector.letters.plain import first_sentence, one_line
from collector.letters.trouble import Trouble
from collector.telling.people import concerns

DAY_MS = 86_400_000
_MOST_LINES = 30
"""Of one section; the rest is counted."""
_SENTENCE = 200
"""Letters; the whole of what to do stands in the alarm's own message."""
_FEED_AFTER_DAYS = 3
"""Common practice, no source: feed when the last pocket is about used up; thin layers at 1-3 day intervals are the
fastest that records for organic vermicompost allow (NOSB 2002)."""
_DRAIN_AFTER_DAYS = 7
"""Common practice, no source."""
HANDS = "Afterwards everybody washes their hands with soap and running water, 20 s or more"
"""CDC, hand washing; bedding, leachate and tea are not sanitised."""
_STALE_MS = 2 * 3_600_000
_ORDER = list(Priority)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """An alarm that stands this morning."""

    rule: Rule
    series: Series
    since_ms: int
    acknowledged: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """An alarm that came and went since the last digest."""

    rule: Rule
    series: Series
    from_ms: int
    to_ms: int


@dataclass(frozen=True, slots=True)
class BrewNow:
    """The last brew of a brewer: when its air stopped, as far as is known, and whether its tea was used."""

    brew: Brew
    stopped_ms: int | None
    used: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DigestView:
    """All that a digest tells, for everybody; each person's is cut to the places they hear of."""

    lab: Lab
    day: date
    now_ms: int
    newest: Sequence[tuple[Series, StoredReading]]
    """The newest reading of each series of the lab."""
    standing: Sequence[Standing]
    past: Sequence[Past]
    diary: Sequence[DiaryEntry]
    """Without what was struck out."""
    brews: Sequence[BrewNow]
    """One for each brewer that brewed lately."""
    ahead: Sequence[TrayAhead] = ()
    back_ms: int | None = None
    """On the last day before a break: when somebody is back."""

    def place_moisture(self, place: str, now_ms: int) -> float | None:
        """The newest usable moisture of a tray, from which amounts follow; None where it is old."""
        return fresh_moisture(self.newest, place, now_ms)


def digest_key(day: date, role: str) -> str:
    """Key of one person's digest of a day."""
    return f"digest-{day.isoformat()}-{role}"


def subject(view: DigestView, person: Person) -> str:
    """'Monday 2 Mar: 1 alarm stands, 3 things to do'."""
    standing = len(_mine(view.standing, view.lab, person))
    stands = "all is well" if not standing else "1 alarm stands" if standing == 1 else f"{standing} alarms stand"
    away = " Last day before a break." if view.back_ms is not None else ""
    return f"{one_line(view.lab.name)}, {day_words(view.day)}: {stands}.{away}"


def sections(view: DigestView, person: Person) -> tuple[Section, ...]:
    """The digest of one person, most urgent first; empty sections are left out."""
    teller = _Teller(view, person)
    found = (
        Section("Standing now", tuple(teller.standing())),
        Section("Today's check", tuple(teller.tasks())),
        Section("The bins", tuple(teller.bins())),
        Section("Came and went since the last digest", tuple(teller.past())),
        Section("Probes that need care", tuple(teller.probes())),
        Section(teller.break_title(), tuple(teller.ahead())),
    )
    return tuple(Section(one.title, _bounded(one.lines)) for one in found if one.lines)


def _bounded(lines: tuple[str, ...]) -> tuple[str, ...]:
    if len(lines) <= _MOST_LINES:
        return lines
    return (*lines[: _MOST_LINES - 1], f"and {len(lines) - _MOST_LINES + 1} more: traywarden alarms history")


def _mine(found: Iterable[Standing], lab: Lab, person: Person) -> list[Standing]:
    return [one for one in _worst(found) if concerns(person, one.series.place, lab)]


def _worst(found: Iterable[Standing]) -> list[Standing]:
    """Of alarms that say the same of the same readings, such as dry and drying, the most urgent."""
    kept: dict[tuple[int, str], Standing] = {}
    for one in sorted(found, key=lambda one: -_ORDER.index(one.rule.priority)):
        same = one.rule.kind if kind_of(one.rule).about is About.LEVEL and one.series.measure else one.rule.name
        kept.setdefault((one.series.id, same), one)
    return list(kept.values())


@dataclass(frozen=True, slots=True)
class _Teller:
    view: DigestView
    person: Person

    def when(self, ms: int) -> str:
        return clock_time(ms, ZoneInfo(self.view.lab.time_zone), self.view.now_ms)

    def label(self, place: str) -> str:
        known = self.view.lab.by_id.get(place)
        return one_line(known.label) if known is not None else "Collector"

    def wrong(self, rule: Rule, series: Series) -> str:
        return Trouble(rule=rule, series=series, lab=self.view.lab, when=self.when).wrong()

    def _act(self, rule: Rule) -> str:
        return in_units_of(rule.corrective_action, self.view.lab.us_units)

    # Sections

    def standing(self) -> Iterator[str]:
        mine = _mine(self.view.standing, self.view.lab, self.person)
        for one in sorted(mine, key=lambda one: (-_ORDER.index(one.rule.priority), one.since_ms)):
            seen = "somebody is on it" if one.acknowledged else "nobody has acknowledged it"
            yield (
                f"{self.label(one.series.place)}: {self.wrong(one.rule, one.series)}, since {self.when(one.since_ms)};"
                f" {one.rule.priority.value} priority, {seen}. {self._what_to_do(one)}"
            )

    def _what_to_do(self, one: Standing) -> str:
        """The amount, where one follows; else how the alarm's own text begins."""
        amount = advice(one.rule, one.series, self.view, self.view.now_ms)
        return first_sentence(self._act(one.rule) if amount is None else amount.deed, _SENTENCE)

    def tasks(self) -> Iterator[str]:
        bins = self._places(PlaceKind.BIN)
        for place in bins:
            yield from self._bin_tasks(place)
        if bins:
            yield f"How a handful is noted: {IN_SHORT}"
        for one in self.view.brews:
            if concerns(self.person, one.brew.place, self.view.lab):
                line = brew_line(one.brew, one.stopped_ms, one.used, self.view.now_ms, self.when)
                yield from (f"{self.label(one.brew.place)}: {line}",) if line else ()
        yield HANDS

    def _bin_tasks(self, place: Place) -> Iterator[str]:
        name, days = one_line(place.label), self._days_since
        last = days(place, DiaryKind.SQUEEZE)
        yield f"{name}: squeeze a handful of each tray{_last(last)}, and see that the blanket is damp"
        fed, drained = days(place, DiaryKind.FED), days(place, DiaryKind.DRAINED)
        if any(self._within(one.series.place, place) and _forbids_food(one.rule) for one in self.view.standing):
            yield f"{name}: feed nothing while it is too warm or too wet"
        elif fed is None or fed >= _FEED_AFTER_DAYS:
            yield f"{name}: look into the last feed pocket{_last(fed)}; if it is used up, bury the next one beside it"
        if drained is None or drained >= _DRAIN_AFTER_DAYS:
            yield f"{name}: open the drain{_last(drained)}"

    def bins(self) -> Iterator[str]:
        for place in self._places(PlaceKind.BIN):
            trays = (one for one in self.view.lab.places if one.kind is PlaceKind.TRAY and one.bin == place.bin)
            told = "; ".join(f"{one_line(tray.tray)} {self._figures(tray.id) or 'no reading'}" for tray in trays)
            stands = sum(self._within(one.series.place, place) for one in _worst(self.view.standing))
            state = "all well" if not stands else "1 alarm" if stands == 1 else f"{stands} alarms"
            yield f"{one_line(place.label)}: {state}{f' - {told}' if told else ''}"
        room = self._figures("room")
        if room and concerns(self.person, "room", self.view.lab):
            yield f"{self.label('room')}: {room}"

    def past(self) -> Iterator[str]:
        groups: dict[tuple[str, str], list[Past]] = {}
        for one in self.view.past:
            if concerns(self.person, one.series.place, self.view.lab):
                groups.setdefault((one.series.place, self.wrong(one.rule, one.series)), []).append(one)
        for (place, what), times in groups.items():
            last = max(times, key=lambda one: (one.to_ms, -one.from_ms))
            count = max(Counter(one.rule.name for one in times).values())  # hot and warm together are once
            often = "" if count == 1 else f", {count} times, the last"
            span = f"{self.when(last.from_ms)} to {self.when(last.to_ms)} ({show_duration(last.to_ms - last.from_ms)})"
            yield f"{self.label(place)}: {what}{often} {span}"

    def probes(self) -> Iterator[str]:
        for one in self.view.standing:
            lasting = kind_of(one.rule).about is About.PROBE
            if (lasting or one.series.measure == "battery") and concerns(self.person, one.series.place, self.view.lab):
                yield (
                    f"{self.label(one.series.place)}, {one_line(one.series.probe) or 'its probes'}:"
                    f" {self.wrong(one.rule, one.series)}. {first_sentence(self._act(one.rule), _SENTENCE)}"
                )

        for probe in self.view.lab.probes:
            for channel in filter(is_uncalibrated, probe.channels):
                if concerns(self.person, probe.place, self.view.lab):
                    yield (
                        f"{self.label(probe.place)}, {one_line(probe.id)}: {MEASURES[channel.measure].label} is not"
                        " calibrated yet, so nobody is warned of it. The maintainer runs: traywarden probes calibrate"
                        f" {probe.id} {channel.key}"
                    )

    def break_title(self) -> str:
        return "Until somebody is back" + (f", {self.when(self.view.back_ms)}" if self.view.back_ms is not None else "")

    def ahead(self) -> Iterator[str]:
        for one in self.view.ahead:
            if concerns(self.person, one.place, self.view.lab):
                yield f"{self.label(one.place)}: {ahead_line(one, self.when, self.view.lab.us_units)}"

    # LetterFacts

    def _places(self, kind: PlaceKind) -> list[Place]:
        lab = self.view.lab
        return [place for place in lab.places if place.kind is kind and concerns(self.person, place.id, lab)]

    def _within(self, place: str, bin_: Place) -> bool:
        known = self.view.lab.by_id.get(place)
        return known is not None and known.bin == bin_.bin != ""

    def _figures(self, place: str) -> str:
        told = [self._figure(series, last) for series, last in self.view.newest if _shown(series, place)]
        return ", ".join(told)

    def _figure(self, series: Series, last: StoredReading) -> str:
        if last.why & Why.UNCALIBRATED:
            return f"{MEASURES[series.measure].label} not calibrated"
        if not is_usable(last):
            return "a reading not to be trusted"
        old = self.view.now_ms - last.t_ms > _STALE_MS
        return show_value(series.measure, last.value, self.view.lab.us_units) + (
            f" (at {self.when(last.t_ms)})" if old else ""
        )

    def _days_since(self, place: Place, kind: DiaryKind) -> int | None:
        zone = ZoneInfo(self.view.lab.time_zone)
        times = [entry.t_ms for entry in self.view.diary if entry.kind is kind and self._within(entry.place, place)]
        return None if not times else (self.view.day - utc(max(times)).astimezone(zone).date()).days


def _forbids_food(rule: Rule) -> bool:
    """Food heats a tray and wets it; the shipped alarms about either say to feed nothing."""
    too_much = kind_of(rule).about in (About.LEVEL, About.GAP) and direction(rule) > 0 and rule.setpoint > 0
    return too_much and rule.measure in ("bedding_temperature", "bedding_moisture")


def _shown(series: Series, place: str) -> bool:
    wanted = ("bedding_temperature", "bedding_moisture", "air_temperature", "air_humidity")
    return series.place == place and series.measure in wanted


def _last(days: int | None) -> str:
    if days is None:
        return " (none noted yet)"
    return f" (last: {'today' if days <= 0 else 'yesterday' if days == 1 else f'{days} days ago'})"
