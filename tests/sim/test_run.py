"""Whole runs: the same bytes for the same seed, faults that show in the packs and in the truth, the demo's story."""

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise

import pytest

from collector.domain.labfile import read_lab
from sim_sensors import probes, scenarios, senml, truth
from sim_sensors.faults import Fault, Kind
from sim_sensors.run import Fact, Pack, run
from sim_sensors.scenario import Scenario

START_MS = 1_772_438_400_000
"""2026-03-02T08:00:00Z, a Monday."""
HOUR_MS = 3_600_000
MIN_MS = 60_000


def facts(packs: Iterable[Pack]) -> list[Fact]:
    return [fact for pack in packs for fact in pack.facts]


def values(pack: Pack) -> dict[str, float | bool]:
    return {r["n"]: r["vb"] if "vb" in r else r["v"] for r in json.loads(pack.payload)}


def with_fault(fault: Fault) -> list[Pack]:
    return list(run(replace(scenarios.load("quiet"), faults=(fault,)), 1, START_MS, HOUR_MS))


def digest(scenario: Scenario, seed: int) -> str:
    whole = hashlib.sha256()
    for pack in run(scenario, seed, START_MS, 2 * HOUR_MS):
        whole.update(repr((pack.t_ms, pack.topic, pack.payload, pack.facts)).encode())
    return whole.hexdigest()


def test_the_same_seed_gives_the_same_bytes() -> None:
    """Times, topics, payloads and truth are the same for a seed, and another seed gives others."""
    demo = scenarios.load("school-demo")
    assert digest(demo, 7) == digest(demo, 7)
    assert digest(demo, 7) != digest(demo, 8)


def test_the_bytes_of_a_first_pack() -> None:
    """The first pack of the demo with seed 1 is this one, in every version on every machine."""
    first = next(run(scenarios.load("school-demo"), 1, START_MS, HOUR_MS))
    assert (first.t_ms, first.topic) == (START_MS + 6_158, "worms/kettle")
    assert first.payload == (
        b'[{"bn":"urn:dev:mac:0220cd4732ae6050:","bt":1772438406.158,"n":"temperature","u":"Cel","v":21.0},'
        b'{"n":"oxygen","u":"kg/m3","v":0.00741},{"n":"pump","vb":true}]'
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


def test_packs_are_senml_with_exact_times() -> None:
    """Every payload is a SenML pack whose base name is a locally administered EUI-64 and whose base time is the pack's,
    to the millisecond; the units are those of the channels."""
    for pack in run(scenarios.load("school-demo"), 1, START_MS, HOUR_MS):
        records = json.loads(pack.payload, parse_float=str)
        seconds, _, ms = records[0]["bt"].partition(".")
        assert int(seconds) * 1000 + int(ms) == pack.t_ms
        base = records[0]["bn"].removeprefix("urn:dev:mac:")
        assert (base[:2], base[16:]) == ("02", ":")
        assert int(base[:16], 16) > 0
        assert all(probes.UNITS[r["n"]] == r.get("u", "") for r in records)
        assert all(("v" in r) != ("vb" in r) for r in records)


def test_each_box_has_a_name_of_its_own() -> None:
    """No two places share a base name, and a place keeps its own."""
    places = scenarios.load("school-demo").places()
    assert len({senml.base_name(place) for place in places}) == len(places)
    assert senml.base_name("juniper/top") == senml.base_name("juniper/top")


def test_a_quiet_week_stays_quiet() -> None:
    """In `quiet` nothing is harmed and no probe fails in the whole week."""
    quiet = scenarios.load("quiet")
    assert {fact.kind for fact in facts(run(quiet, 1, START_MS, quiet.length_ms))} == {"state"}


def test_dropout_shows_in_packs_and_truth() -> None:
    """A silent probe sends nothing for just the time the truth gives, and no other probe notices."""
    fault = Fault(Kind.DROPOUT, "maple/bottom", 20 * MIN_MS, 40 * MIN_MS)
    packs = with_fault(fault)
    quiet = list(run(scenarios.load("quiet"), 1, START_MS, HOUR_MS))
    silent = [p for p in quiet if p.topic == "worms/maple/bottom" and 20 * MIN_MS <= p.t_ms - START_MS < 40 * MIN_MS]
    assert len(silent) == 20
    assert [p.payload for p in packs] == [p.payload for p in quiet if p not in silent]
    told = [(f.kind, f.name, f.place, f.phase, f.t_ms - START_MS) for f in facts(packs) if f.kind != "state"]
    assert told == [
        ("fault", "dropout", "maple/bottom", "begin", 20 * MIN_MS),
        ("harm", "unwatched", "maple/bottom", "begin", 20 * MIN_MS),
        ("fault", "dropout", "maple/bottom", "end", 40 * MIN_MS),
        ("harm", "unwatched", "maple/bottom", "end", 40 * MIN_MS),
    ]


@pytest.mark.parametrize("value", [-127.0, 85.0])
def test_sentinel_shows_in_packs(value: float) -> None:
    """While it lasts the temperature is the sentinel and the moisture goes on; before and after it is a temperature."""
    packs = with_fault(Fault(Kind.SENTINEL, "juniper/top", 20 * MIN_MS, 40 * MIN_MS, value=value))
    mine = [(p.t_ms - START_MS, values(p)) for p in packs if p.topic == "worms/juniper/top"]
    during = [v for t, v in mine if 20 * MIN_MS <= t < 40 * MIN_MS]
    assert {v["temperature"] for v in during} == {value}
    assert len({v["moisture"] for v in during}) > 1
    assert all(15 < v["temperature"] < 25 for t, v in mine if not 20 * MIN_MS <= t < 40 * MIN_MS)


def test_stuck_shows_in_packs() -> None:
    """A stuck probe repeats its last values at new times."""
    packs = with_fault(Fault(Kind.STUCK, "juniper/top", 20 * MIN_MS, 40 * MIN_MS))
    mine = [p for p in packs if p.topic == "worms/juniper/top"]
    said = [json.dumps(values(p)) for p in mine if 19 * MIN_MS <= p.t_ms - START_MS < 40 * MIN_MS]
    assert len(said) >= 21
    assert len(set(said)) == 1
    assert len({p.payload for p in mine}) == len(mine)


def test_pump_stop_shows_in_packs_and_truth() -> None:
    """The pump reads off, the oxygen falls, and the truth names the harm after the fault."""
    packs = with_fault(Fault(Kind.PUMP_STOP, "kettle", 10 * MIN_MS, 50 * MIN_MS))
    kettle = [(p.t_ms - START_MS, values(p)) for p in packs if p.topic == "worms/kettle"]
    off = [t for t, v in kettle if not v["pump"]]
    assert 10 * MIN_MS <= off[0] < 12 * MIN_MS
    assert 49 * MIN_MS <= off[-1] < 51 * MIN_MS
    assert min(v["oxygen"] for _, v in kettle) < 0.006
    told = [(f.name, f.phase) for f in facts(packs) if f.kind != "state" and f.phase == "begin"]
    assert told == [("pump_stop", "begin"), ("oxygen-low", "begin")]


def test_probes_say_what_the_truth_is() -> None:
    """Averaged over an hour, what the probes of a quiet lab say, read through their noise-free maps, is the truth."""
    packs = list(run(scenarios.load("quiet"), 1, START_MS, HOUR_MS))
    states = [f for f in facts(packs) if f.kind == "state" and f.place == "juniper/top"]
    mine = [values(p) for p in packs if p.topic == "worms/juniper/top"]
    true_c = sum(float(f.values["temperature_c"]) for f in states) / len(states)
    true_pct = sum(float(f.values["moisture_pct"]) for f in states) / len(states)
    assert sum(v["temperature"] for v in mine) / len(mine) == pytest.approx(true_c, abs=0.1)
    counts = sum(v["moisture"] for v in mine) / len(mine)
    assert counts == pytest.approx(1950 - 15 * (true_pct - 62), abs=1)


def test_harms_that_stand_at_the_start_are_told_and_facts_keep_their_order() -> None:
    """A tray that is cold, and one too wet, from the first moment are harmed from that moment; times never go back and
    none is lost after the last pack."""
    quiet = scenarios.load("quiet")
    top, middle = quiet.trays[0], quiet.trays[1]
    cold = replace(top, start=replace(top.start, energy_j=top.start.capacity_j_k * 2))
    wet = replace(middle, start=replace(middle.start, water_kg=50.0, energy_j=4186 * 50.0 * 20))
    told = facts(run(replace(quiet, trays=(cold, wet, *quiet.trays[2:])), 1, START_MS, 3 * HOUR_MS))
    begun = {(f.name, f.place) for f in told if f.kind == "harm" and f.t_ms == START_MS}
    assert begun == {("bedding-cold", "juniper/top"), ("bedding-wet", "juniper/middle")}
    assert all(a.t_ms <= b.t_ms for a, b in pairwise(told))
    assert told[-1].t_ms == START_MS + 3 * HOUR_MS - 10 * MIN_MS


def test_truth_lines_are_json_with_iso_times() -> None:
    """Each line is one JSON object; the head says what was played."""
    demo = scenarios.load("school-demo")
    assert json.loads(truth.head(demo, 1, START_MS, HOUR_MS))["seed"] == 1
    line = json.loads(truth.line(facts(run(demo, 1, START_MS, HOUR_MS))[0]))
    assert line == {
        "time": "2026-03-02T08:00:00.000Z",
        "kind": "fault",
        "name": "dry_out",
        "place": "juniper/top",
        "phase": "begin",
    }


@pytest.mark.parametrize("hours", [0, 8, 20, 5 * 24 + 6, 6 * 24 + 23])
def test_the_demo_tells_its_story_whenever_it_starts(hours: int) -> None:
    """By day, night and weekend: juniper/top falls under 60 % within 48 minutes and before anything else is harmed,
    its probe agrees half an hour later, and all the other mishaps follow within four hours, each just where it
    should."""
    start = START_MS - 8 * HOUR_MS + hours * HOUR_MS
    packs = list(run(scenarios.load("school-demo"), 1, start, 4 * HOUR_MS))
    harmed = [
        ((f.t_ms - start) / MIN_MS, f.name, f.place) for f in facts(packs) if (f.kind, f.phase) == ("harm", "begin")
    ]
    assert harmed[0][1:] == ("bedding-dry", "juniper/top")
    assert 5 < harmed[0][0] < 48
    assert harmed[1][0] > 90
    assert {h[1:] for h in harmed} == {
        ("bedding-dry", "juniper/top"),
        ("unwatched", "maple/bottom"),
        ("unwatched", "juniper/bottom"),
        ("oxygen-low", "kettle"),
        ("bedding-hot", "maple/middle"),
    }
    later = [values(p)["moisture"] for p in packs if p.topic == "worms/juniper/top" and p.t_ms - start > 78 * MIN_MS]
    assert all(count > 1980 for count in later)  # 1980 counts are 60 %


def test_the_demo_starts_in_good_health() -> None:
    """In its first ten minutes every tray reads 12 to 27 degC and 60 to 88 %, and the brew holds 6 mg/L."""
    for pack in run(scenarios.load("school-demo"), 1, START_MS, 10 * MIN_MS):
        said = values(pack)
        if "moisture" in said:
            assert 12 < said["temperature"] < 27
            assert 60 <= 62 + (1950 - said["moisture"]) / 15 < 88
        assert said.get("oxygen", 1) > 0.006


def test_the_demos_lab_file_fits_its_packs() -> None:
    """The collector takes the lab file, and it names just the topics, channels and units the demo sends."""
    lab = read_lab(scenarios.lab_text())
    written = {p.topic: {c.name: c.unit for c in p.channels} for p in lab.probes}
    sent = {}
    for pack in run(scenarios.load("school-demo"), 1, START_MS, 5 * MIN_MS):
        sent[pack.topic] = {r["n"]: r.get("u", "on/off") for r in json.loads(pack.payload)}
    assert written == sent
    assert {p.topic: f"worms/{p.place}" for p in lab.probes} == {p.topic: p.topic for p in lab.probes}


def test_the_lab_files_calibration_is_the_probes_map() -> None:
    """The calibration points in the lab file lie on the capacitive probe's line."""
    points = {
        (point.raw, point.value)
        for probe in read_lab(scenarios.lab_text()).probes
        for channel in probe.channels
        for calibration in channel.calibrations
        for point in calibration.points
    }
    assert points
    assert all(probes.capacitive_count(value) == raw for raw, value in points)
