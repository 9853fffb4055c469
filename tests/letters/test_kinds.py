"""What people read for each kind of alarm, and for what happens to an alarm besides being raised and cleared."""

from dataclasses import replace

import pytest

from collector.alarms.model import (
    OUT_OF_BEDDING,
    SQUEEZE_TEST,
    AlarmKey,
    Event,
    Kind,
    Outlook,
    Rule,
    State,
    Transition,
    What,
)
from collector.domain.lab import Channel, Format, Place, PlaceKind, Probe, Series
from collector.domain.readings import Flag, StoredReading
from collector.letters.form.blocks import WIDTH
from collector.letters.letter import Letter
from tests.letters.examples import (
    CLEARED,
    HOT,
    HOUR,
    KETTLE,
    LAB,
    NOW,
    RAISED,
    SILENT,
    TOP,
    TOP_MOISTURE,
    TOP_TEMPERATURE,
    at,
)
from tests.letters.letters import WARM, render

BIN = Place(id="juniper", kind=PlaceKind.BIN, label="Juniper", bin="juniper")
WHOLE_PROBE = Series(id=20, probe="juniper-top", channel="", measure="", place="juniper/top", unit="")
WHOLE_BIN = Series(id=21, probe="", channel="", measure="", place="juniper", unit="")
BREWER = Series(id=22, probe="", channel="", measure="", place="kettle", unit="")
DAMP = StoredReading(series=4, t_ms=at(3, 10, 19), value=66.2, flag=Flag.PASS, raw=66.2, why=0)
OUTLOOK = Outlook(at(9, 14), at(9, 6), at(10, 3))


def of(kind: Kind, **changes: object) -> Rule:
    return replace(HOT, kind=kind, **changes)  # type: ignore[arg-type]


DEVIATION = of(Kind.DEVIATION, setpoint=6.0, against="air_temperature at room")
RATE = of(Kind.RATE, setpoint=2.0, window_ms=6 * HOUR)
SUSPECT = of(Kind.SUSPECT, measure="", setpoint=30.0, window_ms=6 * HOUR)
FORECAST = of(Kind.FORECAST, measure="bedding_moisture", setpoint=60.0, toward="low")
PROBES = of(Kind.DISCREPANCY, measure="bedding_moisture", setpoint=10.0)
SQUEEZE = replace(PROBES, against=SQUEEZE_TEST)


def overdue(what: What) -> Rule:
    return of(Kind.OVERDUE, measure="", setpoint=72.0 * HOUR, what=what.value)


def say(
    rule: Rule,
    change: Transition = RAISED,
    place: Place = TOP,
    series: Series = TOP_TEMPERATURE,
    last: StoredReading | None = WARM,
    us: bool = False,
) -> Letter:
    return render(change, rule, place, replace(LAB, us_units=us), NOW, series=series, last=last)


@pytest.mark.parametrize(
    ("rule", "value", "subject", "fact"),
    [
        (
            DEVIATION,
            7.24,
            "bedding temperature too far above air temperature (Room), 7.2 °C",
            "Apart by:    7.2 °C at 09:50 (limit +6.0 °C)\n",
        ),
        (
            replace(DEVIATION, setpoint=-6.0),
            -7.24,
            "bedding temperature too far below air temperature (Room), -7.2 °C",
            "(limit -6.0 °C)\n",
        ),
        (
            RATE,
            2.31,
            "bedding temperature rising too fast, 2.3 °C per h",
            "Change:      2.3 °C per h at 09:50 (limit +2.0 °C per h)\n",
        ),
        (replace(RATE, setpoint=-2.0), -2.31, "bedding temperature falling too fast, -2.3 °C per h", "Change:"),
        (
            SUSPECT,
            44.6,
            "many bedding temperature readings cannot be trusted, 45 %",
            "Doubtful:    45 % of the readings of the last 6 h at 09:50 (limit 30 %)\n",
        ),
        (
            replace(SUSPECT, measure="bedding_moisture", counts=OUT_OF_BEDDING),
            92.0,
            "probe juniper-top seems to be out of its bedding, 92 %",
            "Doubtful:    92 % of the readings of the last 6 h at 09:50 (limit 30 %)\n",
        ),
        (PROBES, 12.0, "two probes disagree about bedding moisture, 12.0 %", "Apart by:    12.0 % at 09:50"),
        (SQUEEZE, 12.0, "probe and squeeze test disagree about bedding moisture, 12.0 %", "Apart by:"),
    ],
)
def test_each_kind_says_what_is_wrong_and_by_how_much(rule: Rule, value: float, subject: str, fact: str) -> None:
    """The figure that is compared, in its own unit, beside the newest reading."""
    series, last = (TOP_MOISTURE, DAMP) if rule.measure == "bedding_moisture" else (TOP_TEMPERATURE, WARM)
    told = say(rule, replace(RAISED, value=value, worst=value), series=series, last=last)
    assert told.subject == f"URGENT: Juniper, top tray: {subject}"
    assert fact in told.body
    assert "Now:" in told.body
    assert "What to do:" in told.body


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (DEVIATION, "bedding temperature no longer too far above air temperature (Room)"),
        (RATE, "bedding temperature no longer rising too fast"),
        (replace(RATE, setpoint=-2.0), "bedding temperature no longer falling too fast"),
    ],
)
def test_the_end_of_a_difference_or_a_rise_says_nothing_of_the_reading_itself(rule: Rule, words: str) -> None:
    """A tray as warm as the room may be too warm all the same."""
    assert say(rule, CLEARED).subject == f"BACK TO NORMAL: Juniper, top tray: {words}"


def test_a_probe_back_in_its_bedding_is_named() -> None:
    """The digest says of which probe the question is answered."""
    told = say(replace(SUSPECT, measure="bedding_moisture", counts=OUT_OF_BEDDING), CLEARED, series=TOP_MOISTURE)
    assert told.subject == "BACK TO NORMAL: Juniper, top tray: probe juniper-top is in its bedding again"


def test_two_probes_that_disagree_are_both_named() -> None:
    """Whoever goes there knows which two to look at, also when they agree again."""
    channel = Channel(key="m", measure="bedding_moisture", unit="%")
    beside = Probe(
        id="juniper-spare", place="juniper/top", topic="worms/spare", format=Format.SENML_JSON, channels=(channel,)
    )
    lab = replace(LAB, probes=(*LAB.probes, beside))
    told, over = (
        render(change, PROBES, TOP, lab, NOW, series=TOP_MOISTURE, last=DAMP).subject for change in (RAISED, CLEARED)
    )
    assert "probes juniper-spare and juniper-top disagree about bedding moisture" in told
    assert "probes juniper-spare and juniper-top agree about bedding moisture again" in over


def test_a_difference_in_fahrenheit_is_not_a_temperature() -> None:
    """7.2 °C apart is 13.0 °F apart, not 45 °F; 2.3 °C an hour is 4.2 °F an hour."""
    assert say(DEVIATION, replace(RAISED, value=7.24), us=True).subject.endswith(", 13.0 °F")
    assert say(RATE, replace(RAISED, value=2.31), us=True).subject.endswith(", 4.2 °F per h")


def test_a_forecast_says_when_with_its_bounds() -> None:
    """About when, not before and not after nine times in ten, and what it is now."""
    told = say(FORECAST, replace(RAISED, value=52.0, outlook=OUTLOOK), series=TOP_MOISTURE, last=DAMP)
    assert told.subject == ("URGENT: Juniper, top tray: bedding moisture heading below 60.0 %, about Sunday 14:00")
    assert "Now:         66.2 % at 10:19\n" in told.body
    expected = " ".join(told.body.split("Expected:")[1].split("Since:")[0].split())
    assert (
        expected == "below 60.0 % about Sunday 14:00 (between Sunday 06:00 and Monday 10 Mar 03:00, nine times in ten)"
    )
    assert "52.0" not in told.body, "where the line ends is no reading"


def test_a_forecast_that_turned_says_so() -> None:
    """Return to normal: no expectation, no worst of what never was."""
    told = say(FORECAST, replace(CLEARED, outlook=OUTLOOK), series=TOP_MOISTURE, last=DAMP)
    assert told.subject == "BACK TO NORMAL: Juniper, top tray: bedding moisture no longer heading below 60.0 %"
    assert "Expected" not in told.body
    assert "Worst" not in told.body


@pytest.mark.parametrize(
    ("what", "wrong", "right", "care"),
    [
        (What.SQUEEZE_TEST, "squeeze test overdue", "squeeze test done", "wash your hands"),
        (What.WATERING, "watering overdue", "watered", "wash your hands"),
        (What.FEEDING, "feeding overdue", "fed", "wash your hands"),
        (What.DRAIN, "draining overdue", "drained", "wash your hands"),
        (What.BREW_END, "brew past its time", "brew ended", "pull the plug"),
        (What.TEA_USE, "tea past its use-by", "tea used or poured away", "pull the plug"),
    ],
)
def test_what_is_overdue(what: What, wrong: str, right: str, care: str) -> None:
    """No probe, no value, no reading: what is to be done, since when."""
    brewing = what in (What.BREW_END, What.TEA_USE)
    place, series = (KETTLE, BREWER) if brewing else (BIN, WHOLE_BIN)
    told = say(overdue(what), replace(RAISED, value=None, worst=None), place, series, None)
    assert told.subject == f"URGENT: {place.label}: {wrong}"
    assert f"URGENT: {place.label}: {wrong}\n\nSince:       09:40" in told.body
    assert "Probe" not in told.body
    assert care in told.body
    done = say(overdue(what), replace(CLEARED, value=None, worst=None), place, series, None)
    assert done.subject == f"BACK TO NORMAL: {place.label}: {right}"


@pytest.mark.parametrize(
    ("place", "series", "wrong", "right"),
    [
        (TOP, WHOLE_PROBE, "no usable reading from probe juniper-top", "heard again from probe juniper-top"),
        (BIN, WHOLE_BIN, "no usable reading from any of its probes", "heard again from any of its probes"),
    ],
)
def test_a_whole_probe_or_bin_that_is_silent(place: Place, series: Series, wrong: str, right: str) -> None:
    """One message for all of it."""
    told = say(SILENT, replace(RAISED, value=None, worst=None), place, series, None)
    assert told.subject == f"SOON: {place.label}: {wrong}"
    assert ("Probe:" in told.body) == bool(series.probe)
    back = say(SILENT, replace(CLEARED, value=None, worst=None), place, series, None)
    assert back.subject == f"BACK TO NORMAL: {place.label}: {right}"


@pytest.mark.parametrize(
    ("event", "before", "words"),
    [
        (Event.UNSHELVED, State.SHELVED, "the shelving is over and it is still there"),
        (Event.UNSUPPRESSED, State.SUPPRESSED, "it was suppressed and is still there"),
        (Event.PUT_BACK, State.OUT_OF_SERVICE, "it was out of service and is still there"),
    ],
)
def test_an_alarm_that_is_still_there_says_why_it_is_told_now(event: Event, before: State, words: str) -> None:
    """A whole message as at first, with the reason for its time."""
    told = say(HOT, replace(RAISED, event=event, before=before, value=None))
    assert told.subject == "URGENT: Juniper, top tray: bedding temperature too high"
    assert f"Told now:    {words}\n" in told.body
    assert "What to do:" in told.body


def test_a_shelving_says_by_whom_until_when_and_why() -> None:
    """For those who read the record."""
    change = replace(
        RAISED,
        event=Event.SHELVED,
        before=State.UNACKNOWLEDGED,
        after=State.SHELVED,
        by="teacher",
        note="window being repaired",
        until_ms=at(4, 8),
    )
    told = say(HOT, change)
    assert told.subject.endswith("alarm bedding-hot shelved by teacher")
    assert "Until:       Tuesday 08:00\n" in told.body
    assert "Why:         window being repaired\n" in told.body


def test_a_suppressed_alarm_names_what_stands_for_it() -> None:
    """The first cause, or the condition of the rule."""
    change = replace(RAISED, event=Event.SUPPRESSED, after=State.SUPPRESSED, note="probe-silent at juniper")
    assert "Why:         probe-silent at juniper\n" in say(HOT, change).body


def test_a_latched_alarm_asks_to_be_reset() -> None:
    """The condition has gone; the command that resets it stands below."""
    told = say(HOT, replace(CLEARED, event=Event.LATCHED, after=State.UNACKNOWLEDGED))
    assert told.subject == "BACK TO NORMAL: Juniper, top tray: bedding temperature"
    assert "The alarm stays until somebody has looked and resets it:\n  traywarden alarms acknowledge" in told.body


@pytest.mark.parametrize("kind", Kind)
@pytest.mark.parametrize("event", Event)
def test_no_kind_and_no_event_is_without_words(kind: Kind, event: Event) -> None:
    """Whatever happens to whatever alarm, about a series, a probe or a bin: short lines, and nothing breaks."""
    rule = of(kind, against="air_temperature at room", what="watering", toward="low", window_ms=HOUR)
    whole = [(WHOLE_PROBE, TOP), (WHOLE_BIN, BIN)] if kind in (Kind.SILENT, Kind.OVERDUE) else []
    for series, place in ((TOP_TEMPERATURE, TOP), *whole):
        for after in State:
            change = replace(RAISED, key=AlarmKey("x", series.id), event=event, after=after, outlook=OUTLOOK)
            told = say(rule, change, place, series, None if series.measure == "" else WARM)
            assert told.subject
            assert max(len(line) for line in told.body.splitlines()) <= WIDTH
