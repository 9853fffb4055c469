"""A collector that was stopped and started at any commits ends as one that never stopped."""

import tempfile
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.store.requests import Acknowledge
from tests.worlds.by_hand import START, ByHand

SEEN = Acknowledge(rule="bedding-hot", place="juniper/top", by="class 4b")


@dataclass(frozen=True)
class Happening:
    """Something that comes to the collector, `gap_ms` after the thing before."""

    what: str
    gap_ms: int
    lag_ms: int
    celsius: float
    moisture: float


_GAPS = st.sampled_from([0, 1, 500, 30_000, 60_000, 60_000, 60_000, 120_000, 400_000, 700_000])
_LAGS = st.sampled_from([0, 0, 0, 0, 1, 60_000, 65_000, 300_000, -200_000])
_CELSIUS = st.sampled_from([21.5, 28.9, 29.0, 29.5, 30.0, 30.5, 31.0, 31.5, 33.0, 85.0, -127.0, 70.0])
_MOISTURE = st.sampled_from([0.76, 0.70, 0.62, 0.61, 0.60, 0.59, 0.58])
happenings = st.lists(
    st.builds(
        Happening,
        st.sampled_from(["pack"] * 10 + ["air"] * 3 + ["settle", "commit", "commit", "tick", "tick", "acknowledge"]),
        _GAPS,
        _LAGS,
        _CELSIUS,
        _MOISTURE,
    ),
    min_size=1,
    max_size=45,
)


def interrupt(lab: ByHand, *, restart: bool) -> None:
    """Stop between two commits and start again, or lose the link for a moment, as a restart does: probes are silent
    only while they could be heard. The loop ticks all the time, so what was due before the stop has been told. It takes
    two milliseconds, so that the link is found again at the same one in both."""
    lab.now_ms += 2
    lab.settle()
    lab.pipeline.tick(lab.now_ms)
    lab.commit()
    if restart:
        lab.restart()
    else:
        lab.pipeline.link_changed(up=False, now_ms=lab.now_ms - 1, text="down")
    lab.pipeline.link_changed(up=True, now_ms=lab.now_ms, text="up")
    lab.commit()


def play(lab: ByHand, found: list[Happening], breaks: set[int], *, restart: bool) -> None:
    """Both runs see the same commits, and an interruption at the same ones."""
    lab.pipeline.link_changed(up=True, now_ms=lab.now_ms, text="up")
    lab.commit()
    for number, one in enumerate(found):
        lab.now_ms += one.gap_ms
        minutes = (lab.now_ms - one.lag_ms - START) / 60_000
        match one.what:
            case "pack":
                lab.tray(minutes, one.celsius, one.moisture)
            case "air":
                lab.say("worms/room/air", str(one.celsius), mid=number + 1)
            case "settle":
                lab.settle()
            case "tick":
                lab.settle()
                lab.pipeline.tick(lab.now_ms - 5_000)
            case "acknowledge":
                lab.pipeline.order(SEEN, lab.now_ms)
            case "commit" if number in breaks:
                interrupt(lab, restart=restart)
            case _:
                lab.commit()
    lab.settle()
    lab.pipeline.tick(lab.now_ms + 3_600_000)
    lab.commit()
    lab.close()


def stored(lab: ByHand) -> dict[str, list[tuple[object, ...]]]:
    """All that people and later runs can see, but for the notes about starting itself."""
    history = "rule, series, place, event, before, after, t_ms, since_ms, raised_ms, value, worst, by"
    return {
        "readings": lab.ask("SELECT t, series, value, flag, raw, why FROM readings ORDER BY id"),
        "history": sorted(lab.ask(f"SELECT {history} FROM alarm_history"), key=repr),  # noqa: S608 - columns above
        "states": lab.ask("SELECT * FROM alarm_states ORDER BY rule, series"),
        "notices": lab.ask("SELECT * FROM notices ORDER BY role, rule, series, occurrence_ms, event, why, t_ms"),
        "outbox": sorted(lab.ask("SELECT key, recipient, channel, priority, subject, body FROM outbox")),
        "counters": lab.ask("SELECT name, value FROM counters WHERE name IN ('late', 'duplicates') ORDER BY name"),
    }


@pytest.mark.slow
@given(happenings, st.sets(st.integers(0, 44), max_size=12))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_restarts_change_neither_rows_nor_alarms_nor_mail(found: list[Happening], breaks: set[int]) -> None:
    """Readings in and out of order, late, doubled, coded and without a time, timers, acknowledgements: the same rows,
    the same changes of alarms, the same mails word for word, however often it was stopped between two commits."""
    with tempfile.TemporaryDirectory() as folder:
        steady, stopped = ByHand(Path(folder) / "steady"), ByHand(Path(folder) / "stopped")
        play(steady, found, breaks, restart=False)
        play(stopped, found, breaks, restart=True)
        assert stored(stopped) == stored(steady)
