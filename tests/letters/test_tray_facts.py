"""What is known of a tray: from readings, the diary and what stands."""

from dataclasses import replace

import pytest

from collector.alarms.model import Kind, Rule
from collector.domain.diary import DiaryEntry, DiaryKind
from collector.domain.lab import Calibration, CalibrationPoint, Channel, Format, Probe, Series
from collector.domain.readings import Flag, StoredReading, Why
from collector.domain.squeeze import Feel
from collector.husbandry.watering import TrayNow
from collector.letters.tray_facts import FELT_MS, FRESH_MS, Stands, fed_tray, fresh, tray_now
from tests.letters.examples import HOT
from tests.worlds.values import DAY, HOUR, MIN, T0, bin_of, lab

NOW = T0
MOISTURE = Series(id=4, probe="a", channel="moisture", measure="bedding_moisture", place="juniper/top", unit="%")
SUMP = replace(MOISTURE, id=5, measure="leachate_level", place="juniper")
GOOD = StoredReading(series=4, t_ms=NOW - 1_000, value=72.0, flag=Flag.PASS, raw=None, why=0)
POINTS = (CalibrationPoint(2130.0, 50.0), CalibrationPoint(1530.0, 90.0))
LAB = lab(places=(*bin_of("juniper"), *bin_of("maple")))


def noted(kind: DiaryKind, ago_ms: int, place: str = "juniper/top", **more: object) -> DiaryEntry:
    t_ms = NOW - ago_ms
    fields: dict[str, object] = {"amount": None, "result": None, **more}
    return DiaryEntry(id=1, t_ms=t_ms, taken_ms=t_ms, place=place, kind=kind, by="class 4b", **fields)  # type: ignore[arg-type]


def known(*diary: DiaryEntry, stands: Stands = (), place: str = "juniper/top") -> TrayNow:
    found = tray_now(LAB, place, [(MOISTURE, GOOD), (SUMP, replace(GOOD, value=97.0))], diary, stands, NOW)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("newest", "moisture"),
    [
        ((), None),
        (((MOISTURE, GOOD),), 72.0),
        (((MOISTURE, replace(GOOD, t_ms=NOW - FRESH_MS)),), 72.0),
        (((MOISTURE, replace(GOOD, t_ms=NOW - FRESH_MS - 1)),), None),
        (((MOISTURE, replace(GOOD, flag=Flag.FAIL)),), None),
        (((MOISTURE, GOOD), (replace(MOISTURE, id=9), replace(GOOD, value=60.0, t_ms=NOW))), 60.0),
        (((MOISTURE, GOOD), (replace(MOISTURE, id=9), replace(GOOD, flag=Flag.FAIL, t_ms=NOW))), 72.0),
        (((replace(MOISTURE, place="maple/top"), GOOD),), None),
        (((replace(MOISTURE, measure="bedding_temperature"), GOOD),), None),
    ],
)
def test_of_several_probes_the_newest_usable_reading_counts(
    newest: tuple[tuple[Series, StoredReading], ...], moisture: float | None
) -> None:
    """Of the place asked for alone, and none older than six hours."""
    assert fresh(newest, "bedding_moisture", {"juniper/top"}, NOW) == moisture


@pytest.mark.parametrize(("calibrations", "off_pct"), [((), 5.0), ((Calibration(0, POINTS),), 3.0)])
def test_how_far_a_moisture_may_be_off_follows_from_its_calibration(
    calibrations: tuple[Calibration, ...], off_pct: float
) -> None:
    """Calibrated in this lab three points, by its maker's scale five; a lab file that has it no longer says nothing."""
    channel = Channel(key="moisture", measure="bedding_moisture", unit="%", calibrations=calibrations)
    probe = Probe(id="a", place="juniper/top", topic="a", format=Format.NUMBER, channels=(channel,))
    found = tray_now(replace(LAB, probes=(probe,)), "juniper/top", [(MOISTURE, GOOD)], (), (), NOW)
    assert found is not None
    assert (found.probe_pct, known().probe_pct) == (off_pct, 5.0)


@pytest.mark.parametrize(("why", "beyond"), [(Why.CALIBRATION, True), (Why.CALIBRATION | Why.SPIKE, True), (0, False)])
def test_a_count_beyond_the_calibrated_points_is_known_as_such(why: int, beyond: bool) -> None:
    """Of the reading that the moisture is by."""
    found = tray_now(LAB, "juniper/top", [(MOISTURE, replace(GOOD, why=why))], (), (), NOW)
    assert found is not None
    assert (found.beyond_points, found.moisture_pct) == (beyond, 72.0)


def test_a_squeeze_test_counts_until_water_comes_or_the_day_is_over() -> None:
    """The newest of the tray itself; a struck one never was."""
    damp = noted(DiaryKind.SQUEEZE, 15 * MIN, result=Feel.DAMP)
    assert (known(damp).feel, known(damp).felt_ms) == (Feel.DAMP, NOW - 15 * MIN)
    assert known(damp, noted(DiaryKind.SQUEEZE, 60 * MIN, result=Feel.DRY)).feel is Feel.DAMP
    assert known(damp, noted(DiaryKind.WATERED, MIN, "juniper")).feel is None
    assert known(damp, noted(DiaryKind.WATERED, MIN, struck_ms=NOW)).feel is Feel.DAMP
    assert known(replace(damp, struck_ms=NOW)).feel is None
    assert known(replace(damp, t_ms=NOW - FELT_MS - 1)).feel is None
    assert known(replace(damp, place="juniper/middle")).feel is None


def test_water_of_today_is_counted() -> None:
    """At 08:00: since midnight, at the tray or its bin; one without an amount is a cup."""
    assert known(noted(DiaryKind.WATERED, HOUR, amount=0.5)).poured_l == 0.5
    assert known(noted(DiaryKind.WATERED, HOUR), noted(DiaryKind.WATERED, HOUR, "juniper", amount=0.3)).poured_l == 0.55
    assert known(noted(DiaryKind.WATERED, 9 * HOUR, amount=0.5)).poured_l == 0.0
    assert known(noted(DiaryKind.WATERED, HOUR, "maple/top", amount=0.5)).poured_l == 0.0


def test_the_sump_of_the_bin_and_what_stands_are_known() -> None:
    """Leachate is measured at the bin; an alarm about it, or about hand against probe, counts at its own place."""
    full: Rule = replace(HOT, measure="leachate_level", setpoint=50.0)
    doubt = replace(HOT, kind=Kind.DISCREPANCY, measure="bedding_moisture", against="squeeze test")
    assert known().sump_pct == 97.0
    assert known(place="maple/top").sump_pct is None
    assert known(stands=[(full, "juniper")]).sump_stands
    assert not known(stands=[(full, "maple")]).sump_stands
    assert not known(stands=[(replace(full, kind=Kind.LOW), "juniper")]).sump_stands
    assert known(stands=[(doubt, "juniper/top")]).doubted
    assert not known(stands=[(doubt, "juniper/middle")]).doubted


def test_alarms_of_both_sides_are_doubted_until_a_reading_says_which_is_of_before() -> None:
    """A tray said to be wet that was drying a while ago: a hand finds out, before water or paper goes in."""
    wet = replace(HOT, measure="bedding_moisture")
    stands = [(wet, "juniper/top"), (replace(wet, kind=Kind.LOW), "juniper/top")]
    unread = tray_now(LAB, "juniper/top", [], [], stands, NOW)
    assert unread is not None
    assert unread.doubted
    assert not known(stands=stands).doubted
    for lone in (stands[:1], [stands[0], (stands[1][0], "juniper/middle")]):
        alone = tray_now(LAB, "juniper/top", [], [], lone, NOW)
        assert alone is not None
        assert not alone.doubted


def test_only_trays_are_asked_about() -> None:
    """A bin, a room or a place that is gone has no bedding."""
    assert tray_now(LAB, "juniper", [], [], [], NOW) is None
    assert tray_now(LAB, "gone", [], [], [], NOW) is None


def test_food_goes_where_it_was_noted_last_else_on_top() -> None:
    """A feed that was noted for the whole bin does not say where."""
    middle = noted(DiaryKind.FED, DAY, "juniper/middle")
    assert fed_tray(LAB, "juniper", [], NOW) == "juniper/top"
    assert fed_tray(LAB, "juniper", [middle], NOW) == "juniper/middle"
    assert fed_tray(LAB, "juniper", [middle, noted(DiaryKind.FED, HOUR, "juniper")], NOW) == "juniper/middle"
    assert fed_tray(LAB, "juniper", [replace(middle, t_ms=NOW - 90 * DAY)], NOW) == "juniper/top"
    assert fed_tray(LAB, "oak", [middle], NOW) == ""
    assert known().fed
    assert not known(middle).fed
