"""What stands around a story in a scenario file, and what a seed makes of it."""

from dataclasses import replace

import pytest

from collector.config.lab_file import read_lab
from sim_sensors import lab_file, scenario_file, scenarios, varying
from sim_sensors.around import FIXED, Caption, Expected
from sim_sensors.faults import Kind
from sim_sensors.scenario import Scenario
from sim_sensors.sections import BadScenario
from tests.sim.test_scenario_file import GOOD

HOUR_MS = 3_600_000
AROUND = """\
  - {kind: heat_wave, from: 9 h, for: 20 h, peak: 36 degC}
  - {kind: drift, place: juniper/top, channel: moisture, size: 10, from: 8 h, for: 1 d}
begins: 2026-06-05T12:00+02:00
vary: {onset: 4 h, size: 20 %, moisture: 2 %, temperature: 1 degC, humidity: 5 %RH}
harms:
  - {name: bedding-hot, place: juniper/top, from: 20 h, to: 30 h, know_by: 25 h, seldom: yes}
captions:
  - {at: 1 h, says: "The sun rises."}
  - {at: 2 h, says: "It is hot."}
harness:
  mail_away: {from: 10 h, for: 5 h}
"""
TEXT = GOOD.replace("from: 0 min, for: 5 h", "from: 6 h, for: 5 h") + AROUND


def parsed(text: str = TEXT) -> Scenario:
    return scenario_file.parse(text, "try", "try.yaml")


def test_all_of_it_is_read() -> None:
    """Each part arrives in ms and in the units used inside."""
    got = parsed()
    assert got.start_ms == 1_780_653_600_000  # 2026-06-05T10:00Z, by date(1)
    assert got.vary.onset_ms == 4 * HOUR_MS
    assert (got.vary.size, got.vary.moisture_pct, got.vary.temp_c, got.vary.humidity_pct) == (0.2, 2, 1, 5)
    assert got.harms == (Expected("bedding-hot", "juniper/top", 20 * HOUR_MS, 30 * HOUR_MS, 25 * HOUR_MS, True),)
    assert got.captions[0] == Caption(HOUR_MS, "The sun rises.")
    assert got.mail_away == (10 * HOUR_MS, 15 * HOUR_MS)


def test_without_it_nothing_varies() -> None:
    """A scenario that says nothing of it is the same for every seed."""
    plain = parsed(GOOD)
    assert (plain.start_ms, plain.vary, plain.harms, plain.captions, plain.mail_away) == (None, FIXED, (), (), None)
    assert varying.varied(plain, 7) is plain


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("T12:00+02:00", "T12:00", "begins: '2026-06-05T12:00' is not a time with its zone; write it like '2026-06-05"),
        ("2026-06-05T12:00+02:00", "soon", "begins: 'soon' is not a time with its zone"),
        ("onset: 4 h", "onset: 6 h", "vary.onset: the first thing happens 5 h after the start; vary by no more than"),
        ("onset: 4 h", "onsett: 4 h", "vary.onsett: unknown key 'onsett'; did you mean 'onset'?"),
        ("size: 20 %", "size: 80 %", "vary.size: '80 %' is out of range; 0 to 50 %"),
        ("bedding-hot, place", "bedding-hod, place", "harms[0].name: no harm 'bedding-hod'; did you mean 'bedding-"),
        ("bedding-hot, place: juniper/top", "bedding-hot, place: maple", "harms[0].place: no place 'maple'; use one"),
        ("to: 30 h", "to: 3 h", "harms[0].to: 'to' comes before 'from'"),
        ("seldom: yes", "seldom: often", "harms[0].seldom: 'often' is neither yes nor no"),
        ("at: 2 h", "at: 0 h", "captions[1].at: write captions in the order of their times"),
        ("mail_away: {from: 10 h, for: 5 h}", "{}", "harness: 'mail_away' is missing; write it like 'mail_away: {from"),
        ("for: 5 h}\n", "for: 5 s}\n", "harness.mail_away.for: '5 s' is too small; 60 s or more"),
    ],
)
def test_slips_are_told(old: str, new: str, told: str) -> None:
    """One line each, with the field and what would be right."""
    head, found, tail = TEXT.rpartition(old)
    assert found
    with pytest.raises(BadScenario) as refused:
        parsed(head + new + tail)
    assert any(told in str(problem) for problem in refused.value.problems), refused.value.problems


def test_a_seed_moves_everything_within_its_bounds() -> None:
    """The story by one amount on whole steps; sizes, moisture, warmth and humidity each within what the file allows;
    and once varied, a scenario stays as it is."""
    plain = parsed()
    seen = set()
    for seed in range(40):
        got = varying.varied(plain, seed)
        assert varying.varied(got, seed + 1) is got
        by_ms = got.faults[0].begin_ms - plain.faults[0].begin_ms
        seen.add(by_ms)
        assert abs(by_ms) <= 4 * HOUR_MS
        assert by_ms % plain.step_ms == 0
        assert {got.faults[1].end_ms - plain.faults[1].end_ms, got.care[0].at_ms - plain.care[0].at_ms} == {by_ms}
        assert got.probe_faults[0].begin_ms - plain.probe_faults[0].begin_ms == by_ms
        assert got.mail_away == (10 * HOUR_MS + by_ms, 15 * HOUR_MS + by_ms)
        assert 1.6 <= got.faults[0].speed_m_s <= 2.4
        assert 8 <= got.probe_faults[0].size <= 12
        assert got.faults[1].kind is Kind.HEAT_WAVE
        assert 35 <= got.faults[1].temp_c <= 37
        assert got.trays[0].start.moisture_pct == pytest.approx(75, abs=2)
        assert got.trays[0].start.dry_kg == pytest.approx(plain.trays[0].start.dry_kg)
        assert got.room.day_c - 21 == pytest.approx(got.room.night_c - 17)
        assert got.room.humidity_pct == pytest.approx(45, abs=5)
    assert len(seen) > 20
    assert min(seen) < 0 < max(seen)


def test_a_fault_of_many_probes_is_one_fault() -> None:
    """A size that a seed draws is the same for all probes that share the fault."""
    zoo = scenarios.load("probe-zoo")
    shared = replace(zoo, probe_faults=tuple(replace(f, size=10, begin_ms=HOUR_MS) for f in zoo.probe_faults))
    by_kind = {fault.kind: {f.size for f in varying.varied(shared, 3).probe_faults if f.kind is fault.kind}
               for fault in shared.probe_faults}  # fmt: skip
    assert all(len(sizes) == 1 for sizes in by_kind.values())


def test_the_lab_file_weighs_what_the_seed_made() -> None:
    """Each tray's bedding and moisture are those that the run starts with, as the collector reads them."""
    scenario = varying.varied(scenarios.load("holiday-dry-out"), 5)
    lab = read_lab(lab_file.text(scenario))
    for tray in scenario.trays:
        dry_kg = next(place.dry_kg for place in lab.places if place.id == tray.place)
        assert dry_kg == pytest.approx(tray.start.dry_kg, rel=0.01)


def test_the_lab_file_has_the_holidays_of_the_run() -> None:
    """With their years, one over the new year included; none where nobody knows the year."""
    winter = scenarios.load("school-winter")
    assert "holidays: [2026-12-19 to 2027-01-03, 2027-02-13 to 2027-02-21]" in lab_file.text(winter)
    assert read_lab(lab_file.text(winter)).time_zone == "Etc/GMT+6"
    assert "holidays" not in lab_file.text(replace(winter, start_ms=None))
    leap = replace(
        winter, room=replace(winter.room, school=replace(winter.room.school, holidays=(((2, 20), (2, 29)),)))
    )
    assert "holidays: [2027-02-20 to 2027-02-28]" in lab_file.text(leap)
    assert "holidays: [2028-02-20 to 2028-02-29]" in lab_file.text(leap, 1_830_297_600_000)  # 2028-01-01


def test_the_lab_file_says_who_hears_what() -> None:
    """The teacher first and in the digest, then for the bins the caretaker, at last the maintainer with the weekly
    report."""
    people = {person.role: person for person in read_lab(lab_file.text(scenarios.load("quiet"))).people}
    assert {role: person.turn for role, person in people.items()} == {"teacher": 1, "maintainer": 3, "caretaker": 2}
    assert [role for role, person in people.items() if person.digest] == ["teacher"]
    assert [role for role, person in people.items() if person.weekly] == ["maintainer"]
