"""The truth's states: what stands in them, and that every line can be told from every other."""

import json

from sim_sensors import truth
from sim_sensors.pack import Fact
from sim_sensors.run import run
from tests.sim.eventful import DAY_MS, START_MS, eventful


def told(days: float) -> list[Fact]:
    return [fact for pack in run(eventful(), 1, START_MS, round(days * DAY_MS)) for fact in pack.facts]


def test_no_value_hides_what_a_line_is() -> None:
    """Time, kind, name, place and phase of each fact stand in its line, whatever else does."""
    for fact in told(3):
        line = json.loads(truth.line(fact))
        assert (line["time"], line["kind"], line["name"], line["place"], line["phase"]) == (
            truth.iso(fact.t_ms), fact.kind, fact.name, fact.place, fact.phase,
        )  # fmt: skip


def test_states_of_every_place_come_in_their_time() -> None:
    """Once an hour each tray, bin and brewer and the room; a tray shows its pocket while there is one."""
    states = [fact for fact in told(1.5) if fact.kind == "state"]
    places = ["juniper/top", "juniper/middle", "juniper/bottom", "maple/only", "juniper", "maple", "room", "kettle"]
    assert [fact.place for fact in states] == places * 36
    only = [fact.values for fact in states if fact.place == "maple/only"]
    assert ["pocket_c" in values for values in only] == [hour > 24 for hour in range(36)]
    assert {(f.values["stage"], f.values["pump_on"]) for f in states if f.place == "kettle"} == {("water", False)}


def test_a_steady_bin_shows_a_full_and_an_emptied_sump() -> None:
    """The sump of juniper goes from a fifth to more as the wet tray drips, and to nothing when it is emptied."""
    levels = [f.values["leachate_pct"] for f in told(1.5) if f.kind == "state" and f.place == "juniper"]
    assert levels[0] == 20
    assert 0 in levels
    assert all(isinstance(level, float) and 0 <= level <= 100 for level in levels)
