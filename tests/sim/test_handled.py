"""Probes in somebody's hands, radios with gaps, trays that change places, sun: each does what it says."""

import pytest

from sim_sensors import probe_faults, scenario_file, world
from sim_sensors.physics import tray
from sim_sensors.probe_faults import DAY_MS, Gaps, Kind, ProbeFault
from sim_sensors.sections import BadScenario
from tests.sim.eventful import HOUR_MS, START_MS, eventful
from tests.sim.small import draws, minute, of_topic, played, small_lab, small_text, values

TOP = "worms/juniper/top"
OUT = "- {kind: out_of_bedding, place: juniper/top, from: 20 min, for: 40 min}"


def test_a_probe_beside_the_bin_reads_the_air_within_minutes() -> None:
    """Both channels go to the room's: temperature near it, counts near those of air; put back, both return."""
    sent = of_topic(played(small_lab("", OUT), hours=2), TOP)
    quiet = {p.t_ms: values(p) for p in of_topic(played(small_lab(), hours=2), TOP)}
    counts = {round(minute(p)): values(p)["moisture"] for p in sent}
    assert counts[18] < 1800
    assert counts[45] > 2750
    assert counts[24] > (counts[18] + 2800) / 2
    late = [(values(p), quiet[p.t_ms]) for p in sent if minute(p) > 100]
    assert late
    assert all(a["moisture"] == pytest.approx(b["moisture"], abs=2) for a, b in late)


def test_a_probe_put_back_elsewhere_reads_that_spot() -> None:
    """Its whole reading is off by what the spot is off, from then on."""
    more = "- {kind: elsewhere, place: juniper/top, from: 20 min, for: 4 h, warmer: 1, wetter: -2}"
    moved, quiet = (of_topic(played(lab, hours=1), TOP) for lab in (small_lab("", more), small_lab()))
    off = [(values(a), values(b)) for a, b in zip(moved, quiet, strict=True) if minute(a) > 21]
    assert all(a["temperature"] - b["temperature"] == pytest.approx(1, abs=0.01) for a, b in off)
    assert all(a["moisture"] - b["moisture"] == pytest.approx(30, abs=1.1) for a, b in off)


def test_an_air_gap_grows_and_looks_like_drying() -> None:
    """In a straight line from nothing to its share of the way to air."""
    gap = ProbeFault(Kind.AIR_GAP, "p", "t", 0, 10 * DAY_MS, size=0.04)
    bent = [probe_faults.bent(gap, day * DAY_MS, 1800.0, draws()) for day in (0, 5, 10)]
    assert bent == pytest.approx([1800, 1820, 1840])


def test_gaps_of_a_radio_have_the_habit_they_are_given() -> None:
    """About as many as said, half shorter than said, one in twenty longer than five times that, none endless."""
    fault = ProbeFault(Kind.RADIO_GAPS, "p", "t", 0, 4000 * DAY_MS, every_ms=6 * HOUR_MS, gap_ms=1_200_000)
    gaps, lengths, run = Gaps(fault, draws()), [], 0
    for t_ms in range(0, 600 * DAY_MS, 60_000):
        if gaps.away(t_ms):
            run += 60_000
        elif run:
            lengths.append(run)
            run = 0
    assert len(lengths) == pytest.approx(600 * 24 / 6.5, rel=0.08)
    assert sum(one > 1_200_000 for one in lengths) / len(lengths) == pytest.approx(0.5, abs=0.05)
    assert sum(one > 6_000_000 for one in lengths) / len(lengths) == pytest.approx(0.054, abs=0.02)
    assert max(lengths) <= DAY_MS // 2


@pytest.mark.slow
def test_what_is_sent_in_a_gap_is_lost() -> None:
    """Fewer messages, and each of them as without the gaps."""
    gaps = "- {kind: radio_gaps, place: juniper/top, from: 0 min, for: 9 h, every: 1 h, gap: 30 min}"
    broken, quiet = (
        [(p.t_ms, p.payload) for p in of_topic(played(lab, hours=8), TOP)] for lab in (small_lab("", gaps), small_lab())
    )
    assert set(broken) < set(quiet)
    assert 0.3 < len(broken) / len(quiet) < 0.95


def test_trays_change_places_and_nothing_else() -> None:
    """What was on top lies at the bottom, with its water, heat and worms; the probes stay."""
    text = small_text() + "care:\n  - {at: 1 h, place: juniper, swap: top bottom}\nequations: second\n"
    swapped = scenario_file.parse(text, "swap", "swap.yaml")
    plan, now = world.plan(swapped), world.begin(swapped, START_MS)
    while now.elapsed_ms < HOUR_MS:
        now, _ = world.step(plan, now)
    after, _ = world.step(plan, now)
    assert [b.dry_kg for b in after.trays] == pytest.approx([b.dry_kg for b in reversed(now.trays)], rel=1e-4)
    heat = [sum(tray.whole_energy_j(b) for b in one.trays) for one in (now, after)]
    assert heat[1] == pytest.approx(heat[0], rel=1e-3)


@pytest.mark.parametrize("words", ["top", "top top", "top attic"])
def test_a_swap_names_two_trays_of_the_bin(words: str) -> None:
    """Anything else is told with its line."""
    with pytest.raises(BadScenario, match=r"care\[0\]\.swap"):
        scenario_file.parse(
            small_text() + f"care:\n  - {{at: 1 h, place: juniper, swap: {words}}}\n", "swap", "swap.yaml"
        )


def test_the_sun_brings_what_it_says() -> None:
    """Half a sine wave of 40 W over 4 h is 367 kJ, all of it into the one tray."""
    scenario = eventful()
    plan, now, got = world.plan(scenario), world.begin(scenario, START_MS), [0.0] * len(scenario.trays)
    while now.elapsed_ms < 42 * HOUR_MS:
        now, moved = world.step(plan, now)
        got = [all_j + did.dried.sun_j for all_j, did in zip(got, moved.trays, strict=True)]
    assert got == pytest.approx([40 * 4 * 3600 * 2 / 3.14159, 0, 0, 0], rel=1e-3)


def test_unknown_equations_are_told() -> None:
    """With what there is."""
    with pytest.raises(BadScenario, match="no equations 'third'; use one of: first, second"):
        scenario_file.parse(small_text() + "equations: third\n", "x", "x.yaml")
