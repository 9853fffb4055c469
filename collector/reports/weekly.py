"""The maintainer's week: what the alarms did, how the batteries and the disk are, which readings are missing.

Pure: `reports/weekly_view.py` gathers the view, `sections` puts it into words.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from collector.alarms.audit.figures import Actor, Audit
from collector.domain.lab import Lab
from collector.domain.units import show_duration, show_value
from collector.letters.form.blocks import Section
from collector.letters.local_time import day_words
from collector.letters.plain import one_line

_TOP = 5
_ENOUGH_PCT = 99.0
"""A probe heard less often than this is named (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class ProbeWeek:
    """How many readings of a probe came in the week, of how many that were due."""

    probe: str
    heard: int
    due: int

    @property
    def percent(self) -> float:
        """Share of the readings due that came, in %."""
        return 100.0 * self.heard / self.due if self.due else 100.0


@dataclass(frozen=True, slots=True)
class Battery:
    """What a battery gave lately, in volts."""

    probe: str
    volts: float
    week_ago: float | None


@dataclass(frozen=True, slots=True)
class Storage:
    """Bytes."""

    journal: int
    free: int
    readings: int
    """Readings stored in the week."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WeeklyView:
    """All that the weekly report tells."""

    lab: Lab
    day: date
    """The day it goes out; it tells of the seven days before."""
    audit: Audit
    heard: Sequence[ProbeWeek]
    batteries: Sequence[Battery]
    storage: Storage
    outbox: Mapping[str, int]
    """How many messages ended how in the week: sent, failed, unconfirmed; and how many wait now."""
    told: Sequence[str]
    """Who would be told of a high alarm now, in lines by place."""


def weekly_key(day: date, role: str) -> str:
    """Key of one person's report of a week."""
    return f"weekly-{day.isoformat()}-{role}"


def subject(view: WeeklyView) -> str:
    """'Quillbrook School worm lab: the week before Monday 9 Mar'."""
    return f"{one_line(view.lab.name)}: the week before {day_words(view.day)}"


def sections(view: WeeklyView) -> tuple[Section, ...]:
    """The report in parts; empty ones are left out."""
    found = (
        Section("Alarms", tuple(_alarms(view))),
        Section("Who would be told of a high alarm now", tuple(view.told)),
        Section("Readings", tuple(_readings(view))),
        Section("Batteries", tuple(_batteries(view))),
        Section("Storage and messages", tuple(_storage(view))),
    )
    return tuple(section for section in found if section.lines)


def _alarms(view: WeeklyView) -> Iterator[str]:
    found = view.audit
    days = max(found.window.days, 1 / 24)
    yield (
        f"{_number(found.count, 'alarm')} and {_number(found.messages, 'message')} in {found.window.days:.1f} days"
        f" of readings, {found.messages / days:.1f} messages a day (target for one lab: under 1)"
    )
    if found.floods:
        largest = max(flood.alarms for flood in found.floods)
        yield f"{_number(len(found.floods), 'flood')}, the largest of {largest} alarms"
    for actor in found.actors[:_TOP]:
        yield f"{one_line(actor.alarm.rule)} at {one_line(actor.place)}: {actor.count} times{_habit(actor)}"
    for standing in found.standing[:_TOP]:
        lasted = show_duration(found.window.until_ms - standing.from_ms)
        yield f"{one_line(standing.alarm.rule)} at {one_line(standing.place)} has stood for {lasted}"
    if found.actors:
        yield "What would have helped: traywarden rules audit --since '30 d'"


def _habit(actor: Actor) -> str:
    habits = [
        _number(actor.bouts_hour, "bout") + " of chattering" if actor.bouts_hour else "",
        f"{actor.fleeting_hour} fleeting" if actor.fleeting_hour else "",
        f"{actor.stale} stale" if actor.stale else "",
        f"{actor.never_acknowledged} never acknowledged" if actor.never_acknowledged else "",
    ]
    told = ", ".join(habit for habit in habits if habit)
    return f" ({told})" if told else ""


def _number(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _readings(view: WeeklyView) -> Iterator[str]:
    few = sorted((week for week in view.heard if week.percent < _ENOUGH_PCT), key=lambda week: week.percent)
    for week in few:
        missing = f"{week.due - week.heard:,} of {week.due:,} missing"
        yield f"{one_line(week.probe)}: {week.percent:.1f} % of its readings came ({missing})"
    if view.heard and not few:
        yield f"{_number(len(view.heard), 'probe')} heard, each with {_ENOUGH_PCT:g} % or more of its readings"


def _batteries(view: WeeklyView) -> Iterator[str]:
    for battery in sorted(view.batteries, key=lambda battery: battery.volts):
        ago = "" if battery.week_ago is None else f" ({show_value('battery', battery.week_ago)} a week ago)"
        yield f"{one_line(battery.probe)}: {show_value('battery', battery.volts)}{ago}"


def _storage(view: WeeklyView) -> Iterator[str]:
    held = view.storage
    free = f"{held.free / 1e6:,.0f} MB free on its disk"
    yield f"journal {held.journal / 1e6:.1f} MB, {free}; {held.readings:,} readings in the week"
    told = ", ".join(f"{view.outbox.get(name, 0)} {name}" for name in ("sent", "failed", "unconfirmed", "waiting"))
    yield f"messages: {told}"
