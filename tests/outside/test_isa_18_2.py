"""Alarms against ANSI/ISA-18.2-2016 / IEC 62682: a worked check vector, to the second, and the standard's states.

The vector is computed by hand from the definitions: deadband (alarm clears only below limit minus deadband), on-delay
(condition continuously true for T before annunciation) and off-delay, as OPC UA Part 9 B.1.5 also describes them.
Comparison: alarm if > limit, clear if < limit minus deadband.
"""

import numpy as np
import pytest

from collector.alarms.engine import Engine
from collector.alarms.lifecycle import LETTER, after
from collector.alarms.model import Event, Kind, Link, Priority, Rule, State
from collector.alarms.start import Kept, Running, Site
from collector.domain.lab import Lab, Series

EVERY_S = 30
SAMPLES = [29.5, 30.2, 29.8, 30.1, 30.3, 30.4, 30.2, 29.9, 29.4, 29.2, 28.9, 28.8, 28.7, 28.6]
LIMIT = 30.0
VECTOR = [
    # deadband, on-delay s, off-delay s, events (A alarm, R return to normal) at s
    ((0.0, 0, 0), "A30 R60 A90 R210"),
    ((1.0, 0, 0), "A30 R300"),
    ((0.0, 60, 0), "A150 R210"),
    ((1.0, 60, 0), "A150 R300"),
    ((1.0, 60, 60), "A150 R360"),
]


def engine(kind: Kind, limit: float, deadband: float, on_s: int, off_s: int) -> Engine:
    rule = Rule(
        name="vector",
        kind=kind,
        measure="bedding_temperature",
        where=(),
        setpoint=limit,
        deadband=deadband,
        on_delay_ms=on_s * 1000,
        off_delay_ms=off_s * 1000,
        priority=Priority.LOW,
        consequence="none",
        corrective_action="none",
        time_to_respond_ms=1,
        basis="check vector",
    )
    series = Series(id=1, probe="p", channel="c", measure="bedding_temperature", place="juniper/top", unit="Cel")
    lab = Lab(name="Quillbrook School", time_zone="UTC", us_units=False, places=(), probes=(), people=())
    return Engine([rule], Site(lab, [series]), Kept(), Running(Link(True, 0)))


def play(alarms: Engine, samples: list[float], per_call: int, ticks: bool) -> str:
    told = []
    t_ms = np.arange(len(samples), dtype=np.int64) * EVERY_S * 1000
    for start in range(0, len(samples), per_call):
        part = slice(start, start + per_call)
        told += alarms.judge(1, t_ms[part], np.array(samples[part]), np.ones(len(samples[part]), np.uint8))
        if ticks:
            told += alarms.tick(int(t_ms[part][-1]) + EVERY_S * 1000 - 1)
    words = {Event.RAISED: "A", Event.CLEARED: "R"}
    return " ".join(f"{words[one.event]}{one.t_ms / 1000:g}" for one in told)


@pytest.mark.parametrize("ticks", [False, True], ids=["replay", "live"])
@pytest.mark.parametrize("per_call", [1, 5, len(SAMPLES)])
@pytest.mark.parametrize(("settings", "events"), VECTOR)
def test_deadband_and_delays_to_the_second(
    settings: tuple[float, int, int], events: str, per_call: int, ticks: bool
) -> None:
    """High at 30.0 sampled every 30 s gives the hand-computed events, and its mirror image gives them for low."""
    deadband, on_s, off_s = settings
    assert play(engine(Kind.HIGH, LIMIT, deadband, on_s, off_s), SAMPLES, per_call, ticks) == events
    mirrored = [-value for value in SAMPLES]
    assert play(engine(Kind.LOW, -LIMIT, deadband, on_s, off_s), mirrored, per_call, ticks) == events


def test_a_value_at_the_limit_is_no_alarm() -> None:
    """With the comparison ">" the limit itself is normal."""
    assert play(engine(Kind.HIGH, LIMIT, 0.0, 0, 0), [30.0, 30.0], 2, ticks=False) == ""


def test_the_seven_states_are_those_of_the_standard() -> None:
    """A to G, in the standard's words (order of the letters from memory)."""
    assert [LETTER[state] for state in State] == list("ABCDEFG")


@pytest.mark.parametrize(
    ("before", "event", "active", "follows"),
    [
        ("A", Event.RAISED, True, "B"),
        ("B", Event.ACKNOWLEDGED, True, "C"),
        ("B", Event.CLEARED, False, "D"),
        ("C", Event.CLEARED, False, "A"),
        ("D", Event.ACKNOWLEDGED, False, "A"),
        ("D", Event.RAISED, True, "B"),
        ("C", Event.RE_ALARMED, True, "B"),  # OPC UA Part 9 B.1.5, ReAlarmTime
        ("E", Event.UNSHELVED, True, "B"),
        ("E", Event.UNSHELVED, False, "A"),
        ("F", Event.UNSUPPRESSED, True, "B"),
        ("F", Event.UNSUPPRESSED, False, "A"),
        ("G", Event.PUT_BACK, True, "B"),
        ("G", Event.PUT_BACK, False, "A"),
    ],
)
def test_transitions_of_the_standard(before: str, event: Event, active: bool, follows: str) -> None:
    """The transitions the standard's state figure shows (from memory except where a source is named)."""
    by_letter = {letter: state for state, letter in LETTER.items()}
    assert after(by_letter[before], event, active) is by_letter[follows]
