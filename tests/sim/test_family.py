"""The drawn labs: one number is one lab, each within what is said, each a lab that the collector takes."""

import math
from pathlib import Path

import pytest

from collector.config.lab_file import read_lab
from sim_sensors import lab_file, world
from sim_sensors.family import Sort, drawn, is_tuned, named, ranges, sort
from sim_sensors.family.ranges import Range
from sim_sensors.harms import Watch
from sim_sensors.physics.school import HOUR_MS
from sim_sensors.probe_faults import Kind
from sim_sensors.run import run

MANY = range(0, 160)
RANGES = {name: value for name, value in vars(ranges).items() if isinstance(value, Range)}


def test_one_number_is_one_world() -> None:
    """The same each time, another for another number, and by its name the same again."""
    assert drawn(17) == drawn(17) == named("world-17")
    assert drawn(17) != drawn(21)
    assert named("world-x") is None
    scenario = drawn(18)
    first, again = (
        [(p.t_ms, p.payload) for p in run(drawn(18), 18, scenario.start_ms or 0, 6 * HOUR_MS)] for _ in range(2)
    )
    assert first == again != []


def test_halves_and_sorts() -> None:
    """Even numbers are for tuning; of each half every other one is rough."""
    assert [is_tuned(n) for n in range(4)] == [True, False, True, False]
    assert [sort(n) for n in range(4)] == [Sort.CALM, Sort.CALM, Sort.ROUGH, Sort.ROUGH]


@pytest.mark.parametrize("name", RANGES)
def test_each_range_has_its_ends_and_its_source(name: str) -> None:
    """Low under high, and a source or 'CP' beside it."""
    one = RANGES[name]
    assert one.low < one.high
    assert len(one.why) > 10
    assert not one.log or one.low > 0


def test_labs_are_as_different_as_said() -> None:
    """Two to four trays a bin, 3 to 12 kg, all intervals, all beddings, both authors, with and without brewer and room
    probe."""
    worlds = [drawn(n) for n in MANY]
    assert {len([t for t in w.trays if t.bin == b.name]) for w in worlds for b in w.bins} == {2, 3, 4}
    kg = [t.start.dry_kg + t.start.water_kg for w in worlds for t in w.trays]
    assert 3 <= min(kg) < 4
    assert 11 < max(kg) <= 12
    assert {w.every_ms for w in worlds} == {60_000, 300_000, 900_000}
    assert len({t.spec.equations for w in worlds for t in w.trays}) == 2
    assert {bool(w.brewers) for w in worlds} == {True, False}
    assert {any(p.place == "room" for p in w.probes) for w in worlds} == {True, False}
    assert {p.format for w in worlds for p in w.probes}.__len__() == 4
    kinds = {f.kind for w in worlds for f in w.probe_faults}
    assert {Kind.RADIO_GAPS, Kind.OUT_OF_BEDDING, Kind.ELSEWHERE, Kind.AIR_GAP, Kind.DRIFT, Kind.UNPLUGGED} <= kinds
    assert {f.kind.value for w in worlds for f in w.faults} >= {
        "lesson", "sun", "dry_out", "heat", "flood", "heating_off", "heat_wave", "pump_stop",
    }  # fmt: skip


@pytest.mark.parametrize("number", [0, 1, 4, 9, 13, 16, 22, 35])
def test_the_collector_takes_each_lab(number: int, tmp_path: Path) -> None:
    """Its lab.yaml is a good one, with all probes."""
    scenario = drawn(number)
    lab = read_lab(lab_file.text(scenario, scenario.start_ms))
    assert [probe.id for probe in lab.probes] == [probe.key for probe in scenario.probes]


@pytest.mark.slow
@pytest.mark.parametrize("number", [0, 4, 8, 13, 17, 21])
def test_calm_worlds_do_no_harm_to_worms(number: int) -> None:
    """Nothing in them goes beyond what worms bear: only a radio or a probe may be away for long."""
    scenario = drawn(number)
    plan, now, watch = world.plan(scenario), world.begin(scenario, scenario.start_ms or 0), Watch(scenario)
    lasting = set()
    while now.elapsed_ms < scenario.length_ms:
        lasting |= {fact.name for fact in watch.changes(now) if fact.phase == "lasting"}
        now, _ = world.step(plan, now, HOUR_MS // 2)
        assert all(math.isfinite(bed.temp_c) for bed in now.trays)
    assert lasting <= {"unwatched"}
