"""Whole runs: the same bytes for the same seed, faults that show in the packs and in the truth, the demo's story."""

import hashlib
import json
from collections import defaultdict
from dataclasses import replace
from itertools import pairwise

import pytest

from sim_sensors import scenarios, truth
from sim_sensors.run import run
from sim_sensors.scenario import Scenario
from tests.sim.small import HOUR_MS, MIN_MS, START_MS, facts, of_topic, played, small_lab, values


def digest(scenario: Scenario, seed: int) -> str:
    whole = hashlib.sha256()
    for pack in run(scenario, seed, START_MS, 2 * HOUR_MS):
        whole.update(repr((pack.t_ms, pack.topic, pack.payload, pack.facts)).encode())
    return whole.hexdigest()


@pytest.mark.slow
def test_the_same_seed_gives_the_same_bytes() -> None:
    """Times, topics, payloads and truth are the same for a seed, and another seed gives others."""
    demo = scenarios.load("school-demo")
    assert digest(demo, 7) == digest(demo, 7)
    assert digest(demo, 7) != digest(demo, 8)


def test_the_bytes_of_a_first_pack() -> None:
    """The first pack of the demo with seed 1 is this one, in every version on every machine."""
    first = next(run(scenarios.load("school-demo"), 1, START_MS, HOUR_MS))
    assert (first.t_ms, first.topic) == (START_MS + 8_461, "worms/juniper/middle")
    assert first.payload == (
        b'[{"bn":"urn:dev:mac:02880144ec6b2733:","bt":1772438408.461,"n":"temperature","u":"Cel","v":20.375},'
        b'{"n":"moisture","u":"count","v":1741},{"n":"battery","u":"V","v":3.96}]'
    )


def test_a_shorter_run_is_the_beginning_of_a_longer_one() -> None:
    """Duration decides where the run ends and nothing else."""
    demo = scenarios.load("school-demo")
    short, long = (list(run(demo, 3, START_MS, hours * HOUR_MS)) for hours in (1, 2))
    assert [(p.t_ms, p.payload) for p in short] == [(p.t_ms, p.payload) for p in long[: len(short)]]
    assert START_MS <= short[0].t_ms <= short[-1].t_ms < START_MS + HOUR_MS <= long[len(short)].t_ms


def test_packs_come_in_order_and_each_probe_about_once_a_minute() -> None:
    """Time never goes back, and each box reports every 60 s give or take 2 s of jitter at either end."""
    packs = list(run(scenarios.load("quiet"), 1, START_MS, 3 * HOUR_MS))
    assert all(a.t_ms <= b.t_ms for a, b in pairwise(packs))
    times = defaultdict(list)
    for pack in packs:
        times[pack.topic].append(pack.t_ms)
    assert len(times) == 8
    gaps = [b - a for seen in times.values() for a, b in pairwise(seen)]
    assert all(56_000 <= gap <= 64_000 for gap in gaps)
    assert len(set(gaps)) > 100
    assert {len(seen) for seen in times.values()} == {180}


def test_a_stopped_pump_shows_in_packs_and_truth() -> None:
    """The pump reads off, the oxygen falls, and the truth names the harm after the fault."""
    packs = played(small_lab("", "- {kind: pump_stop, place: kettle, from: 10 min, for: 40 min}"))
    kettle = [((p.t_ms - START_MS) / MIN_MS, values(p)) for p in of_topic(packs, "worms/kettle")]
    off = [at for at, said in kettle if not said["pump"]]
    assert 10 <= off[0] < 12
    assert 49 <= off[-1] < 51
    assert min(said["oxygen"] for _, said in kettle) < 0.006
    told = [(f.name, f.phase) for f in facts(packs) if f.kind in ("fault", "harm") and f.phase == "begin"]
    assert told == [("pump_stop", "begin"), ("oxygen-low", "begin")]


def test_a_blind_probe_is_a_harm_at_its_place() -> None:
    """An unplugged probe leaves its place unwatched for just as long."""
    packs = played(small_lab("", "- {kind: unplugged, place: juniper/top, from: 20 min, for: 20 min}"))
    told = [
        (f.kind, f.name, f.place, f.phase, (f.t_ms - START_MS) // MIN_MS)
        for f in facts(packs)
        if f.kind in ("fault", "harm")
    ]
    assert told == [
        ("fault", "unplugged", "juniper/top", "begin", 20),
        ("harm", "unwatched", "juniper/top", "begin", 20),
        ("fault", "unplugged", "juniper/top", "end", 40),
        ("harm", "unwatched", "juniper/top", "end", 40),
    ]


def test_a_lab_without_probes_is_silent() -> None:
    """Nothing is sent, and nothing breaks."""
    none = "\n".join(f"{key}: none" for key in ("juniper-top", "juniper-bottom", "room-air", "kettle-tea"))
    assert played(small_lab(none)) == []


def test_what_is_on_its_way_at_the_end_is_not_delivered() -> None:
    """A gateway outage that outlasts the run leaves only what came before it."""
    packs = played(small_lab("", "- {kind: gateway_outage, from: 30 min, for: 5 h}"))
    assert {p.t_ms < START_MS + 30 * MIN_MS for p in packs} == {True}
    assert facts(packs)[-1].t_ms == START_MS + 50 * MIN_MS


@pytest.mark.slow
def test_a_quiet_week_stays_quiet() -> None:
    """In `quiet` nothing is harmed and no probe fails in the whole week. Steps of ten minutes are enough for that."""
    quiet = replace(scenarios.load("quiet"), step_ms=10 * MIN_MS)
    assert {fact.kind for fact in facts(run(quiet, 1, START_MS, quiet.length_ms))} == {"probe", "state"}


def test_harms_that_stand_at_the_start_are_told_and_facts_keep_their_order() -> None:
    """A tray that is cold, and one drowned, from the first moment are harmed from that moment; times never go back and
    none is lost after the last pack."""
    quiet = scenarios.load("quiet")
    top, middle = quiet.trays[0], quiet.trays[1]
    cold = replace(top, start=replace(top.start, energy_j=top.start.capacity_j_k * 2))
    wet = replace(middle, start=replace(middle.start, water_kg=50.0, energy_j=4186 * 50.0 * 20))
    told = facts(run(replace(quiet, trays=(cold, wet, *quiet.trays[2:])), 1, START_MS, 3 * HOUR_MS))
    begun = {(f.name, f.place) for f in told if f.kind == "harm" and f.t_ms == START_MS}
    assert begun == {
        ("bedding-cold", "juniper/top"),
        ("worms-dying", "juniper/top"),
        ("bedding-wet", "juniper/middle"),
        ("bedding-airless", "juniper/middle"),
        ("worms-dying", "juniper/middle"),
    }
    assert all(a.t_ms <= b.t_ms for a, b in pairwise(told))
    assert told[-1].t_ms == START_MS + 3 * HOUR_MS - 10 * MIN_MS


def test_truth_lines_are_json_with_iso_times() -> None:
    """Each line is one JSON object; the head says what was played."""
    demo = scenarios.load("school-demo")
    assert json.loads(truth.head(demo, 1, START_MS, HOUR_MS))["seed"] == 1
    first = next(f for f in facts(run(demo, 1, START_MS, HOUR_MS)) if f.kind == "fault")
    line = json.loads(truth.line(first))
    assert line == {
        "time": "2026-03-02T08:00:00.000Z",
        "kind": "fault",
        "name": "dry_out",
        "place": "juniper/top",
        "phase": "begin",
    }


@pytest.mark.slow
@pytest.mark.parametrize("hours", [0, 20, 5 * 24 + 6])
def test_the_demo_tells_its_story_whenever_it_starts(hours: int) -> None:
    """By day, night and weekend: juniper/top is too dry from the start and before anything else is harmed, its probe
    says so, and all the other mishaps follow within six hours, each just where it should."""
    start = START_MS - 8 * HOUR_MS + hours * HOUR_MS
    packs = list(run(scenarios.load("school-demo"), 1, start, 6 * HOUR_MS))
    harmed = [
        ((f.t_ms - start) / MIN_MS, f.name, f.place) for f in facts(packs) if (f.kind, f.phase) == ("harm", "begin")
    ]
    assert harmed[:2] == [(0, "bedding-dry", "juniper/top"), (0, "worms-dying", "juniper/top")]
    assert harmed[2][0] >= 50
    assert {h[1:] for h in harmed} == {
        ("bedding-dry", "juniper/top"),
        ("worms-dying", "juniper/top"),
        ("unwatched", "maple/bottom"),
        ("oxygen-low", "kettle"),
        ("bedding-hot", "maple/middle"),
        ("worms-dying", "maple/middle"),
    }
    dry = [values(p)["moisture"] for p in packs if p.topic == "worms/juniper/top" and p.t_ms - start < 70 * MIN_MS]
    assert all(count > 2120 for count in dry)  # 2130 counts are 50 %, half a point is the probe's own


def test_the_demo_starts_in_good_health() -> None:
    """In its first ten minutes every tray but the dry one reads 12 to 27 degC and 60 to 88 % (half a point is the
    probe's own), and the brew holds 6 mg/L."""
    for pack in run(scenarios.load("school-demo"), 1, START_MS, 10 * MIN_MS):
        said = values(pack)
        if "moisture" in said:
            assert 12 < said["temperature"] < 27
            least = 49.0 if pack.topic == "worms/juniper/top" else 59.5
            assert least <= 62 + (1950 - said["moisture"]) / 15 < 88
        assert said.get("oxygen", 1) > 0.006
