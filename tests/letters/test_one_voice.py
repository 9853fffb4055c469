"""No message asks for two things that exclude each other, whatever is known of a bin: alarm mails and their short form,
of one alarm and of several, and the digest."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache

from hypothesis import given, settings
from hypothesis import strategies as st

from collector.alarms.kinds.kind import About
from collector.alarms.kinds.table import kind_of
from collector.alarms.model import AlarmKey, Outlook, Rule
from collector.config.home import shipped_rules
from collector.domain.diary import DiaryEntry, DiaryKind
from collector.domain.lab import Lab, Series
from collector.domain.readings import Flag, StoredReading, Why
from collector.domain.squeeze import Feel
from collector.husbandry.bounds import A_DAY_L
from collector.husbandry.watering import TrayNow
from collector.letters.letter import report_letter
from collector.letters.tray_facts import tray_now
from collector.reports.digest import DigestView, sections
from collector.reports.digest_alarms import Standing
from collector.telling.message_plan import Item
from tests.letters.examples import LAB, NOW, RAISED
from tests.letters.letters import TEACHER, FakeFacts, letter
from tests.worlds.rules import read_rules
from tests.worlds.values import HOUR, bin_of

ADDS = re.compile(
    r"[Aa]dd about (?P<amount>[\d.]+) (?P<unit>L|qt|fl oz|gal)\b|(?i:\bspray a cup|\bwater the tray\b|\bmore cup\b)"
)
NO_WATER = re.compile(r"(?i)stop watering|add no (?:more )?water|before anything is added")
MIXES = re.compile(r"(?i)mix in (?:about|a handful)")
LITRES = {"L": 1.0, "qt": 0.946353, "fl oz": 0.0295735, "gal": 3.78541}
MEASURES = ("bedding_moisture", "bedding_temperature", "leachate_level")


@dataclass(frozen=True)
class Bin:
    """What is so in Juniper at this moment."""

    lab: Lab
    newest: Sequence[tuple[Series, StoredReading]]
    diary: Sequence[DiaryEntry]
    standing: Sequence[Standing]

    @property
    def stands(self) -> list[tuple[Rule, str]]:
        return [(one.rule, one.series.place) for one in self.standing]


@dataclass(frozen=True)
class BinFacts(FakeFacts):
    """Facts of letters that are this bin's."""

    known: Bin | None = None

    def tray_now(self, place: str, now_ms: int) -> TrayNow | None:
        assert self.known is not None
        return tray_now(self.known.lab, place, self.known.newest, self.known.diary, self.known.stands, now_ms)


@cache
def about_bedding() -> tuple[Rule, ...]:
    return tuple(one for one in read_rules(shipped_rules()) if one.measure in MEASURES)


def series_of(measure: str, place: str, number: int) -> Series:
    return Series(id=number, probe=f"p{number}", channel="c", measure=measure, place=place, unit="%")


@st.composite
def bins(draw: st.DrawFn) -> Bin:
    """Masses, moistures, a sump, squeeze tests and waterings, and any of the shipped alarms that fit the readings."""
    mass = st.none() | st.floats(0.2, 8.0)
    places = tuple(replace(one, dry_kg=draw(mass) if one.tray else None) for one in bin_of("juniper"))
    lab = replace(LAB, places=places, us_units=draw(st.booleans()))
    newest, diary, standing = [], [], []
    for number, place in enumerate(places, 1):
        for offset, measure in enumerate(MEASURES):
            if (measure == "leachate_level") is not (place.tray == ""):
                continue
            series, value = series_of(measure, place.id, number * 10 + offset), draw(st.floats(0, 100))
            t_ms = NOW - draw(st.sampled_from([0, HOUR, 7 * HOUR]))
            why = draw(st.sampled_from([0, 0, Why.CALIBRATION]))
            row = StoredReading(series=series.id, t_ms=t_ms, value=value, flag=Flag.PASS, raw=value, why=why)
            newest.append((series, row))
            for rule in about_bedding():
                if rule.measure == measure and _may_stand(rule, value) and draw(st.booleans()):
                    standing.append(Standing(rule=rule, series=series, since_ms=NOW - HOUR, acknowledged=False))
    for number in range(draw(st.integers(0, 4))):
        diary.append(_entry(draw, number, draw(st.sampled_from([one.id for one in places]))))
    return Bin(lab, newest, diary, standing)


def _may_stand(rule: Rule, value: float) -> bool:
    """An alarm of a level stands beyond its setpoint, and for its off-delay and in its deadband a little within it."""
    if kind_of(rule).about is not About.LEVEL:
        return True
    above = rule.kind.value == "high"
    return value > rule.setpoint - rule.deadband if above else value < rule.setpoint + rule.deadband


def _entry(draw: st.DrawFn, number: int, place: str) -> DiaryEntry:
    kind = draw(st.sampled_from([DiaryKind.SQUEEZE, DiaryKind.WATERED, DiaryKind.FED]))
    t_ms = NOW - draw(st.integers(0, 14)) * HOUR
    return DiaryEntry(
        id=number,
        t_ms=t_ms,
        taken_ms=t_ms,
        place=place,
        kind=kind,
        amount=draw(st.none() | st.floats(0.1, 2.0)) if kind is DiaryKind.WATERED else None,
        result=draw(st.sampled_from(Feel)) if kind is DiaryKind.SQUEEZE else None,
        by="class 4b",
    )


def item_of(one: Standing) -> Item:
    foresees = kind_of(one.rule).foresees
    outlook = Outlook(NOW + HOUR, NOW, NOW + 2 * HOUR) if foresees else None
    change = replace(RAISED, key=AlarmKey(one.rule.name, one.series.id), value=1.0, outlook=outlook)
    return Item(transition=change, rule=one.rule, series=one.series)


def agrees(text: str, known: Bin) -> None:
    """One part of a message, about one tray."""
    told = " ".join(text.split())
    adds = list(ADDS.finditer(told))
    assert not (adds and NO_WATER.search(told)), told
    assert not (adds and MIXES.search(told)), told
    for found in filter(lambda one: one["amount"], adds):
        assert float(found["amount"]) * LITRES[found["unit"]] <= A_DAY_L * 1.06, told


@settings(max_examples=60, deadline=None)
@given(known=bins())
def test_all_that_one_message_says_of_a_tray_agrees(known: Bin) -> None:
    """In mails and their short form: no water and water, paper and water, or more than a day's cap; nor is a tray to be
    watered while the bin's sump is said to need it stopped."""
    facts = BinFacts(known.lab, {row.series: row for _, row in known.newest}, known=known)
    sump = [one for one in known.standing if one.rule.measure == "leachate_level"]
    for place in {one.series.place for one in known.standing}:
        here = [item_of(one) for one in (*known.standing, *sump) if one.series.place == place or one in sump]
        if here:
            agrees(_acts(letter(*here, facts=facts).body), known)
            agrees(letter(here[0], facts=facts).short, known)


def _acts(body: str) -> str:
    """What is asked for: a conditional of a rule's own ('spray a little if it is not wet') is none."""
    return "\n".join(part.split("If nothing is done")[0] for part in body.split("What to do:")[1:])


@settings(max_examples=60, deadline=None)
@given(known=bins())
def test_all_that_a_digest_says_of_a_tray_agrees(known: Bin) -> None:
    """What stands and the day's check: the same, and no bin is both to be fed and not to be fed."""
    view = DigestView(
        lab=known.lab,
        day=date(2025, 3, 3),
        now_ms=NOW,
        newest=known.newest,
        standing=known.standing,
        past=(),
        diary=known.diary,
        brews=(),
    )
    parts = sections(view, TEACHER)
    found = {part.title: part.lines for part in parts}
    for place in known.lab.places:
        lines = [line for line in found.get("Standing now", ()) if line.startswith(f"{place.label}: ")]
        agrees("\n".join(lines), known)
    tasks = "\n".join(found["Today's check"])
    assert not ("Feed nothing" in tasks and "bury the next one" in tasks)
    assert len(report_letter("x", parts).body.splitlines()) <= 120
