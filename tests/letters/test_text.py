"""What people read: pinned by example, and held to its shape for anything the lab file or a probe may say."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.alarms.model import LINK_SERIES, Event, Kind, Priority, State, Transition
from collector.domain.lab import Place, PlaceKind, Series
from collector.domain.readings import Flag, StoredReading, Why
from collector.letters.form.blocks import WIDTH
from collector.letters.letter import Letter
from tests.letters.examples import (
    CLEARED,
    HOT,
    HOUR,
    KETTLE,
    KETTLE_PUMP,
    LAB,
    NOW,
    RAISED,
    ROOM,
    ROOM_AIR,
    SILENT,
    TOP,
    TOP_MOISTURE,
    TOP_TEMPERATURE,
    at,
)
from tests.letters.letters import WARM, render


def hot(transition: Transition = RAISED, now_ms: int = NOW, last: StoredReading | None = WARM) -> Letter:
    return render(transition, HOT, TOP, LAB, now_ms, series=TOP_TEMPERATURE, last=last)


def silent(last: StoredReading | None, transition: Transition = RAISED) -> Letter:
    return render(replace(transition, value=None), SILENT, TOP, LAB, NOW, series=TOP_TEMPERATURE, last=last)


def test_the_teacher_reads_value_limit_since_when_what_to_do_and_time_left() -> None:
    """Juniper's top tray at 31.2 °C: the whole message, word for word."""
    assert hot().subject == "URGENT: Juniper, top tray: bedding temperature too high, 31.2 °C"
    assert hot().body == (
        "Take the lid off and move the bin out of the sun. Now 31.2 °C, since\n"
        "09:40, act by 13:40.\n"
        "\n"
        "URGENT: Juniper, top tray: bedding temperature too high\n"
        "\n"
        "Now:         31.2 °C at 10:19 (limit 30.0 °C)\n"
        "Since:       09:40 (40 min ago)\n"
        "Time left:   about 3 h 20 min left of 4 h (until 13:40)\n"
        "Also told:   nobody else\n"
        "\n"
        "What to do:\n"
        "  Take the lid off and move the bin out of the sun.\n"
        "  Lay a frozen water bottle on the blanket.\n"
        "  Afterwards wash your hands with soap and running water, 20 s or more.\n"
        "\n"
        "If nothing is done by 13:40:\n"
        "  Worms crawl out or die once the bedding passes 35 °C.\n"
        "\n"
        "Say that you are on it:\n"
        "  traywarden alarms acknowledge bedding-hot \\\n"
        "    --at juniper/top --by teacher\n"
        "\n"
        "Probe:       juniper-top, temperature\n"
        "Basis:       traywarden rules list bedding-hot\n"
    )


def test_return_to_normal_is_short_and_says_how_long_and_how_bad() -> None:
    """The good news: value now, how long it lasted, the worst value, and that nobody has acknowledged it."""
    cool = StoredReading(series=3, t_ms=at(3, 11, 20), value=28.9, flag=Flag.PASS, raw=28.9, why=0)
    told = hot(CLEARED, at(3, 11, 20), cool)
    assert told.subject == "BACK TO NORMAL: Juniper, top tray: bedding temperature"
    assert told.body == (
        "Now 28.9 °C; lasted 1 h 40 min (09:40 to 11:20).\n"
        "\n"
        "BACK TO NORMAL: Juniper, top tray: bedding temperature\n"
        "\n"
        "Now:         28.9 °C at 11:20 (limit 30.0 °C)\n"
        "Lasted:      1 h 40 min (09:40 to 11:20)\n"
        "Worst:       33.4 °C\n"
        "Probe:       juniper-top, temperature\n"
        "\n"
        "Nobody has acknowledged it yet:\n"
        "  traywarden alarms acknowledge bedding-hot \\\n"
        "    --at juniper/top --by teacher\n"
    )


def test_an_acknowledged_alarm_that_returns_asks_for_nothing() -> None:
    """Once acknowledged, the return to normal has no command to run."""
    assert "acknowledge" not in hot(replace(CLEARED, after=State.NORMAL), at(3, 11, 20)).body


def test_a_silent_probe_is_told_with_its_last_words_and_what_they_mean() -> None:
    """-127 of a DS18B20 is explained, with when it was last heard, by day since it was not today."""
    told = silent(StoredReading(series=3, t_ms=at(2, 20, 20), value=None, flag=Flag.FAIL, raw=-127.0, why=Why.SENTINEL))
    assert told.subject == "SOON: Juniper, top tray: no usable bedding temperature reading"
    assert (
        "SOON: Juniper, top tray: no usable bedding temperature reading\n"
        "\n"
        "Last heard:  Sunday 20:20 (14 h ago)\n"
        "It said:     -127 (a code): this probe's way of saying it is not\n"
        "             connected: check its plug and cable\n"
        "Since:       09:40 (40 min ago)\n"
    ) in told.body


@pytest.mark.parametrize(
    ("series", "raw", "words"),
    [
        (TOP_TEMPERATURE, 85.0, "85 (a code): what this probe says just after power came on"),
        (TOP_TEMPERATURE, 185.0, "just after power came on"),
        (TOP_TEMPERATURE, -196.6, "not connected"),
        (TOP_MOISTURE, 4095.0, "4095 (a code): stuck at the end of its scale"),
        (ROOM_AIR, -999.0, "no value: check its plug"),
    ],
)
def test_each_probe_model_has_its_own_codes(series: Series, raw: float, words: str) -> None:
    """What a code means depends on the model behind the series (DS18B20 data sheet; 185 degF is 85 degC)."""
    last = StoredReading(series=series.id, t_ms=NOW - HOUR, value=None, flag=Flag.FAIL, raw=raw, why=Why.SENTINEL)
    body = render(RAISED, SILENT, TOP, LAB, NOW, series=series, last=last).body
    assert words in " ".join(body.split())


@pytest.mark.parametrize(
    ("last", "words"),
    [
        (
            StoredReading(series=3, t_ms=NOW - HOUR, value=24.5, flag=Flag.PASS, raw=24.5, why=0),
            "It said:     24.5 °C\n",
        ),
        (
            StoredReading(series=3, t_ms=NOW - HOUR, value=None, flag=Flag.MISSING, raw=None, why=Why.NOT_A_NUMBER),
            "no value: the probe sent no number",
        ),
        (
            StoredReading(series=3, t_ms=NOW - HOUR, value=None, flag=Flag.MISSING, raw=None, why=0),
            "no value: its reading came empty\n",
        ),
        (
            StoredReading(series=3, t_ms=NOW - HOUR, value=24.5, flag=Flag.SUSPECT, raw=24.5, why=Why.SPIKE | Why.RATE),
            "a spike; changed faster than",
        ),
        (None, "Last heard:  never, as far as is on record\n"),
    ],
)
def test_what_a_silent_probe_last_said_is_shown_as_it_was(last: StoredReading | None, words: str) -> None:
    """Good, doubtful, empty or none at all: the last reading never reads better than it was."""
    assert words in silent(last).body


def test_a_probe_heard_again_says_so() -> None:
    """Return to normal of a silent alarm: what it says now, and no worst value."""
    told = silent(replace(WARM, t_ms=at(3, 10, 19)), replace(CLEARED, t_ms=NOW))
    assert told.subject == "BACK TO NORMAL: Juniper, top tray: bedding temperature heard again"
    assert "Now:         31.2 °C at 10:19\n" in told.body
    assert "Worst" not in told.body


def test_time_used_up_says_act_now() -> None:
    """Told late, for instance after an outage, the message does not promise time that is gone."""
    assert "Time left:   act now: the 4 h ended at 13:40\n" in hot(now_ms=at(3, 13, 40)).body
    assert "Time left:   about 1 min left of 4 h (until 13:40)\n" in hot(now_ms=at(3, 13, 39)).body


def test_no_time_to_respond_says_act_now() -> None:
    """A rule without any time says nothing but that."""
    rule = replace(HOT, time_to_respond_ms=0)
    assert "Time left:   act now\n" in render(RAISED, rule, TOP, LAB, NOW, series=TOP_TEMPERATURE, last=WARM).body


def test_a_clock_behind_the_readings_never_adds_time() -> None:
    """Readings stamped a little ahead of our clock: no more time is promised than the rule has."""
    assert "about 4 h left of 4 h" in hot(now_ms=at(3, 9, 30)).body


@pytest.mark.parametrize(
    ("since", "words"),
    [
        (at(3, 0, 0), "00:00 (10 h 20 min ago)"),
        (at(2, 23, 59), "Sunday 23:59 (10 h 21 min ago)"),
        (at(25, 8, 0, month=2), "Tuesday 08:00 (6 d 2 h ago)"),
        (at(24, 8, 0, month=2), "Monday 24 Feb 08:00 (7 d 2 h ago)"),
        (at(30, 8, 0, month=12, year=2024), "Monday 30 Dec 2024 08:00 (63 d 2 h ago)"),
    ],
)
def test_since_when_is_local_with_the_day_when_it_is_not_today(since: int, words: str) -> None:
    """Local time of the lab; a day name within six days, then a date, then a year."""
    assert f"Since:       {words}\n" in hot(replace(RAISED, since_ms=since)).body


def test_summer_time_is_the_labs() -> None:
    """The clocks go forward on 9 March 2025 at Quillbrook: 01:30 to 03:30 local is one hour."""
    told = hot(replace(RAISED, since_ms=at(9, 1, 30)), now_ms=at(9, 3, 30))
    assert "Since:       01:30 (1 h ago)\n" in told.body


def test_a_lab_with_us_units_reads_fahrenheit() -> None:
    """31.2 degC is 88.2 degF, the limit 30 degC is 86.0 degF, in subject and body."""
    told = render(RAISED, HOT, TOP, replace(LAB, us_units=True), NOW, series=TOP_TEMPERATURE, last=WARM)
    assert told.subject.endswith("bedding temperature too high, 88.2 °F")
    assert "Now:         88.2 °F at 10:19 (limit 86.0 °F)\n" in told.body


def test_a_doubtful_newest_reading_stands_beside_the_value_that_raised_it() -> None:
    """The value that counts is told with its time, and the newest one with why it does not count."""
    body = hot(
        last=StoredReading(series=3, t_ms=at(3, 10, 19), value=None, flag=Flag.FAIL, raw=85.0, why=Why.SENTINEL)
    ).body
    assert "Value:       31.2 °C at 09:50 (limit 30.0 °C)\nNewest:      85 (a code) at 10:19: what this probe" in body


def test_without_a_newest_reading_the_value_at_the_change_is_told() -> None:
    """The message stands without looking anything up."""
    assert "Value:       31.2 °C at 09:50 (limit 30.0 °C)\nSince:" in hot(last=None).body


def test_a_switch_is_on_or_off() -> None:
    """The air pump is off: no limit and no number, and a word of care about plug and water."""
    rule = replace(HOT, name="pump-off", kind=Kind.LOW, measure="air_pump", setpoint=0.5)
    last = StoredReading(series=5, t_ms=at(3, 10, 19), value=0.0, flag=Flag.PASS, raw=0.0, why=0)
    told = render(replace(RAISED, value=0.0), rule, KETTLE, LAB, NOW, series=KETTLE_PUMP, last=last)
    assert told.subject == "URGENT: Kettle: air pump is off"
    assert "Now:         off at 10:19\n" in told.body
    assert "Dry hands; pull the plug before you reach into the water." in told.body
    on = render(RAISED, replace(rule, kind=Kind.HIGH), KETTLE, LAB, NOW, series=KETTLE_PUMP, last=None)
    assert on.subject == "URGENT: Kettle: air pump is on"


def test_too_low_is_said() -> None:
    """A `low` alarm at zero shows its zero."""
    rule = replace(HOT, kind=Kind.LOW, measure="air_temperature", setpoint=0.0, priority=Priority.LOW)
    told = render(replace(RAISED, value=-0.5), rule, ROOM, LAB, NOW, series=ROOM_AIR, last=None)
    assert told.subject == "MINOR: Room: air temperature too low, -0.5 °C"
    assert "(limit 0.0 °C)" in told.body
    assert "wash your hands" not in told.body


def test_the_link_to_the_broker_has_no_probe_and_no_value() -> None:
    """The collector's own alarm is told like the others, with its own place."""
    rule = replace(SILENT, name="broker-silent", priority=Priority.HIGH)
    told = render(replace(RAISED, value=None), rule, None, LAB, NOW, series=LINK_SERIES)
    assert told.subject == "URGENT: Collector: no connection to the broker"
    assert "URGENT: Collector: no connection to the broker\n\nSince:       09:40 (40 min ago)\n" in told.body
    assert "Probe" not in told.body
    assert "  traywarden alarms acknowledge broker-silent --at broker --by teacher\n" in told.body
    back = render(CLEARED, rule, None, LAB, at(3, 11, 20), series=LINK_SERIES)
    assert back.subject == "BACK TO NORMAL: Collector: connected to the broker again"


def test_a_place_that_left_the_lab_file_is_named_by_its_id() -> None:
    """Nothing is lost where a tray is renamed while its alarm stands."""
    told = render(RAISED, HOT, None, LAB, NOW, series=TOP_TEMPERATURE)
    assert told.subject.startswith("URGENT: juniper/top: ")


@pytest.mark.parametrize(
    "event", [e for e in Event if e not in (Event.RAISED, Event.RE_ALARMED, Event.CLEARED, Event.LATCHED)]
)
def test_every_other_event_can_be_told(event: Event) -> None:
    """No change of an alarm is without words; who did it stands there."""
    told = hot(replace(RAISED, event=event, after=State.NORMAL, by="maintainer"))
    assert told.subject.startswith("NOTE: Juniper, top tray: bedding temperature too high: alarm bedding-hot ")
    assert told.subject.endswith(" by maintainer")
    assert "What to do" not in told.body


def test_an_alarm_annunciated_again_reads_as_at_first() -> None:
    """Still there after long: the same facts, with the time left by now."""
    assert hot(replace(RAISED, event=Event.RE_ALARMED)) == hot()


def test_a_command_too_long_for_a_line_still_pastes_into_a_shell() -> None:
    """The line is broken where a shell joins it again."""
    rule = replace(HOT, name="bedding-far-too-hot-for-any-worm-in-it")
    body = render(RAISED, rule, TOP, LAB, NOW, series=replace(TOP_TEMPERATURE, place="juniper/the-top-one")).body
    assert f"  traywarden alarms acknowledge {rule.name} \\\n    --at juniper/the-top-one --by teacher\n" in body


def test_a_name_with_a_space_is_quoted_in_the_command() -> None:
    """What is pasted into a shell means one argument."""
    body = render(RAISED, replace(HOT, name="too hot; reboot"), TOP, LAB, NOW, series=TOP_TEMPERATURE).body
    assert "alarms acknowledge 'too hot; reboot' --at juniper/top --by teacher\n" in body.replace("\\\n    ", "")


@given(
    label=st.text(max_size=40),
    words=st.text(alphabet=st.characters(max_codepoint=0x2FFF), max_size=300),
    value=st.floats(-1e6, 1e6),
    now_ms=st.integers(0, 4_000_000_000_000),
    kind=st.sampled_from(Kind),
    event=st.sampled_from(Event),
)
def test_any_text_gives_short_visible_lines(
    label: str, words: str, value: float, now_ms: int, kind: Kind, event: Event
) -> None:
    """Whatever stands in lab.yaml or the rules: one line of subject, short lines of body, nothing invisible."""
    place = Place(id="juniper/top", kind=PlaceKind.TRAY, label=label)
    rule = replace(HOT, kind=kind, corrective_action=words, consequence=words, basis=words)
    transition = replace(RAISED, event=event, value=value, by=words)
    told = render(transition, rule, place, LAB, now_ms, series=TOP_TEMPERATURE, last=WARM)
    assert told.subject.isprintable()
    assert len(told.subject) <= 160
    assert told.body.endswith("\n")
    for line in told.body.split("\n"):
        assert line.isprintable()
        assert len(line) <= WIDTH <= 78
