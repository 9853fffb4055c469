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
from collector.alarms.model import Rule
from collector.alarms.urgency import rank
from collector.domain.calibration_points import is_uncalibrated
from collector.domain.diary import Brew, DiaryEntry, DiaryKind
from collector.domain.lab import Lab, Person, Place, PlaceKind, Series
from collector.domain.readings import StoredReading, Why
from collector.domain.said_quantities import in_units_of
from collector.domain.squeeze import IN_SHORT
from collector.domain.units import MEASURES, show_duration, show_value
from collector.husbandry.ahead import TrayAhead
from collector.husbandry.watering import GOAL_PCT, TrayNow
from collector.letters.advice import TrayAdvice, advice
from collector.letters.brew_words import brew_line
from collector.letters.doubtful import is_usable
from collector.letters.form.blocks import Section
from collector.letters.local_time import clock_time, day_words, utc
from collector.letters.plain import first_sentence, one_line
from collector.letters.tray_facts import fed_tray, tray_now
from collector.letters.trouble import Trouble
from collector.reports.digest_ahead import ahead_lines
from collector.reports.digest_alarms import Past, Standing, worst, worst_past
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
    """On the last day before a break, and once some school days before a holiday: when somebody is back."""
    last_day: bool = True
    """Whether `back_ms` is of a break that begins tomorrow."""

    def tray_now(self, place: str, now_ms: int) -> TrayNow | None:
        """All that is known of a tray, from which amounts follow."""
        stands = [(alarm.rule, alarm.series.place) for alarm in self.standing]
        return tray_now(self.lab, place, self.newest, self.diary, stands, now_ms)

    def goal_pct(self, place: str) -> float:
        """Where water is to bring a tray: farther before a break that it would not come through otherwise."""
        leave = (tray.leave_at for tray in self.ahead if tray.place == place and tray.leave_at is not None)
        return max([GOAL_PCT, *leave])


def digest_key(day: date, role: str) -> str:
    """Key of one person's digest of a day."""
    return f"digest-{day.isoformat()}-{role}"


def subject(view: DigestView, person: Person) -> str:
    """'Monday 2 Mar: 1 alarm stands, 3 things to do'."""
    standing = len(_mine(view.standing, view.lab, person))
    stands = "all is well" if not standing else "1 alarm stands" if standing == 1 else f"{standing} alarms stand"
    away = " Last day before a break." if view.back_ms is not None and view.last_day else ""
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
    return tuple(Section(section.title, _bounded(section.lines)) for section in found if section.lines)


def _bounded(lines: tuple[str, ...]) -> tuple[str, ...]:
    if len(lines) <= _MOST_LINES:
        return lines
    return (*lines[: _MOST_LINES - 1], f"and {len(lines) - _MOST_LINES + 1} more: traywarden alarms history")


def _mine(found: Iterable[Standing], lab: Lab, person: Person) -> list[Standing]:
    return [alarm for alarm in worst(found) if concerns(person, alarm.series.place, lab)]


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
        """The most urgent first; of one urgency, what is wrong in a bin before what is wrong with a probe."""
        mine = _mine(self.view.standing, self.view.lab, self.person)
        for alarm in sorted(mine, key=lambda alarm: (rank(alarm.rule.priority), _of_probe(alarm), alarm.since_ms)):
            seen = "somebody is on it" if alarm.acknowledged else "nobody has acknowledged it"
            named = f", {one_line(alarm.series.probe)}" if _of_probe(alarm) and alarm.series.measure else ""
            yield (
                f"{self.label(alarm.series.place)}{named}: {self._what_to_do(alarm)}"
                f" {_capital(self.wrong(alarm.rule, alarm.series))}, since {self.when(alarm.since_ms)};"
                f" {alarm.rule.priority.value} priority, {seen}."
            )

    def _what_to_do(self, alarm: Standing) -> str:
        """What follows from all that is known of the tray; else how the alarm's own text begins."""
        found = self._advice(alarm)
        return _sentence(self._act(alarm.rule)) if found is None else found.act

    def _advice(self, alarm: Standing) -> TrayAdvice | None:
        goal_pct = self.view.goal_pct(alarm.series.place)
        return advice(alarm.rule, alarm.series, self.view, self.view.now_ms, goal_pct)

    def tasks(self) -> Iterator[str]:
        """A line for each task, with the bins that it is due at."""
        due: dict[str, dict[str, list[str]]] = {}
        bins = self._places(PlaceKind.BIN)
        for place in bins:
            for task, last in self._bin_tasks(place):
                due.setdefault(task, {}).setdefault(last, []).append(one_line(place.label))
        for task, at in due.items():
            yield f"{task}: {', '.join(f'{_and(labels)}{last}' for last, labels in at.items())}"
        if bins:
            yield f"How a handful is noted: {IN_SHORT}"
        for running in self.view.brews:
            if concerns(self.person, running.brew.place, self.view.lab):
                line = brew_line(running.brew, running.stopped_ms, running.used, self.view.now_ms, self.when)
                yield from (f"{self.label(running.brew.place)}: {line}",) if line else ()
        yield HANDS

    def _bin_tasks(self, place: Place) -> Iterator[tuple[str, str]]:
        """Each task of a bin, and when it was last done."""
        days = self._days_since
        yield "Squeeze a handful of each tray, and see that the blanket is damp", _last(days(place, DiaryKind.SQUEEZE))
        fed, drained = days(place, DiaryKind.FED), days(place, DiaryKind.DRAINED)
        if any(self._forbids_food(alarm, place) for alarm in self.view.standing):
            yield "Feed nothing while it is too warm, or too wet where the food goes", ""
        elif fed is None or fed >= _FEED_AFTER_DAYS:
            yield "Look into the last feed pocket; if it is used up, bury the next one beside it", _last(fed)
        if drained is None or drained >= _DRAIN_AFTER_DAYS:
            yield "Open the drain", _last(drained)

    def _forbids_food(self, alarm: Standing, place: Place) -> bool:
        """Food heats a bin, and wets the tray that it goes into; water that stands in another tray is no reason."""
        if not self._within(alarm.series.place, place) or not _too_much(alarm.rule):
            return False
        if alarm.rule.measure == "bedding_temperature":
            return True
        return alarm.series.place == fed_tray(self.view.lab, place.bin, self.view.diary, self.view.now_ms)

    def bins(self) -> Iterator[str]:
        for place in self._places(PlaceKind.BIN):
            yield f"{one_line(place.label)}: {self._bin(place)}"
        room = self._figures("room")
        if room and concerns(self.person, "room", self.view.lab):
            yield f"{self.label('room')}: {room}"

    def _bin(self, place: Place) -> str:
        """How it stands; trays that are well are told together, each other one by itself."""
        trays = [tray for tray in self.view.lab.places if tray.kind is PlaceKind.TRAY and tray.bin == place.bin]
        stands = [alarm for alarm in worst(self.view.standing) if self._within(alarm.series.place, place)]
        if not stands and len(trays) > 1 and not any(self._figures(tray.id) for tray in trays):
            return f"no reading of its {len(trays)} trays"
        troubled = {alarm.series.place for alarm in stands}
        well = [tray for tray in trays if tray.id not in troubled and self._plain(tray.id)]
        apart = [tray for tray in trays if tray not in well or len(well) == 1]
        told = [f"{self._tray(tray, place)}: {self._figures(tray.id) or 'no reading'}" for tray in apart]
        if len(well) > 1:
            spans = ", ".join(self._spans({tray.id for tray in well}))
            told.append(f"the other {len(well)}: {spans}" if told else f"{len(well)} trays, {spans}")
        state = "all well" if not stands else "1 alarm" if len(stands) == 1 else f"{len(stands)} alarms"
        return f"{state}{' - ' if trays else ''}{'; '.join(told)}"

    def _tray(self, tray: Place, place: Place) -> str:
        return one_line(tray.label.removeprefix(f"{place.label}, "))

    def _plain(self, tray: str) -> bool:
        """Whether it has readings and none needs a word of its own."""
        here = [last for series, last in self.view.newest if _shown(series, tray)]
        return bool(here) and all(is_usable(last) and self.view.now_ms - last.t_ms <= _STALE_MS for last in here)

    def _spans(self, trays: set[str]) -> list[str]:
        """'70.0 % to 74.2 %' for each measure."""
        values: dict[str, list[float]] = {}
        for series, last in self.view.newest:
            if series.place in trays and _shown(series, series.place):
                values.setdefault(series.measure, []).append(last.value or 0.0)
        return [self._span(measure, found) for measure, found in values.items()]

    def _span(self, measure: str, found: list[float]) -> str:
        low, high = (show_value(measure, end, self.view.lab.us_units) for end in (min(found), max(found)))
        return low if low == high else f"{low} to {high}"

    def past(self) -> Iterator[str]:
        groups: dict[tuple[str, str], list[Past]] = {}
        for past in worst_past(self.view.past, self.view.standing):
            if concerns(self.person, past.series.place, self.view.lab):
                groups.setdefault((past.series.place, self.wrong(past.rule, past.series)), []).append(past)
        for (place, what), times in groups.items():
            last = max(times, key=lambda past: (past.to_ms, -past.from_ms))
            count = max(Counter(past.rule.name for past in times).values())  # hot and warm together are once
            often = "" if count == 1 else f", {count} times, the last"
            span = f"{self.when(last.from_ms)} to {self.when(last.to_ms)} ({show_duration(last.to_ms - last.from_ms)})"
            yield f"{self.label(place)}: {what}{often} {span}"

    def probes(self) -> Iterator[str]:
        """Those that nobody can be warned by; of others an alarm stands."""
        for probe in self.view.lab.probes:
            for channel in filter(is_uncalibrated, probe.channels):
                if concerns(self.person, probe.place, self.view.lab):
                    yield (
                        f"{self.label(probe.place)}, {one_line(probe.id)}: {MEASURES[channel.measure].label} is not"
                        " calibrated yet, so nobody is warned of it. The maintainer runs: traywarden probes calibrate"
                        f" {probe.id} {channel.key}"
                    )

    def break_title(self) -> str:
        if self.view.back_ms is None:
            return "Until somebody is back"
        until = f"Until somebody is back, {self.when(self.view.back_ms)}"
        return until if self.view.last_day else f"A break is coming. {until}"

    def ahead(self) -> Iterator[str]:
        advised = {
            alarm.series.place
            for alarm in _mine(self.view.standing, self.view.lab, self.person)
            if self._advice(alarm) is not None
        }
        mine = [tray for tray in self.view.ahead if concerns(self.person, tray.place, self.view.lab)]
        told = [tray for tray in mine if self.view.last_day or tray.deed is not None]
        yield from ahead_lines(told, self.view.lab, self.when, advised)

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


def _too_much(rule: Rule) -> bool:
    """Whether the alarm is about bedding that is too warm or too wet."""
    above = kind_of(rule).about in (About.LEVEL, About.GAP) and direction(rule) > 0 and rule.setpoint > 0
    return above and rule.measure in ("bedding_temperature", "bedding_moisture")


def _of_probe(alarm: Standing) -> bool:
    """Whether the probe is in need of care, not what it measures."""
    return kind_of(alarm.rule).about is About.PROBE or alarm.series.measure == "battery"


def _and(labels: Sequence[str]) -> str:
    """'Juniper, Maple and Rowan'."""
    return " and ".join(filter(None, (", ".join(labels[:-1]), labels[-1])))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _sentence(text: str) -> str:
    """The first sentence, with its end."""
    said = first_sentence(text, _SENTENCE)
    return said if said.endswith((".", "!", "?", "…")) else f"{said}."


def _shown(series: Series, place: str) -> bool:
    wanted = ("bedding_temperature", "bedding_moisture", "air_temperature", "air_humidity")
    return series.place == place and series.measure in wanted


def _last(days: int | None) -> str:
    if days is None:
        return " (none noted yet)"
    return f" (last: {'today' if days <= 0 else 'yesterday' if days == 1 else f'{days} days ago'})"
