"""What each fault of a probe does at a moment."""

import pytest

from sim_sensors import probe_faults
from sim_sensors.probe_faults import DAY_MS, Kind, ProbeFault
from tests.sim.small import draws as seeded


def fault(kind: Kind, **more: float | str) -> ProbeFault:
    return ProbeFault(kind, "juniper-top", "juniper/top", DAY_MS, 3 * DAY_MS, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("elapsed_ms", "active"),
    [(DAY_MS - 1, False), (DAY_MS, True), (3 * DAY_MS - 1, True), (3 * DAY_MS, False)],
)
def test_a_fault_lasts_from_its_beginning_up_to_its_end(elapsed_ms: int, active: bool) -> None:
    """The first moment belongs to the fault, the last does not; it blinds just then."""
    assert fault(Kind.STUCK).active(elapsed_ms) is active
    assert probe_faults.blinds(fault(Kind.STUCK), elapsed_ms) is active


@pytest.mark.parametrize("kind", Kind)
def test_which_faults_keep_true_readings_away(kind: Kind) -> None:
    """In the middle of it: silence, a repeated value or a sentinel; not a reading that is off, nor a weak cell."""
    blind = {Kind.UNPLUGGED, Kind.STUCK, Kind.SENTINEL, Kind.GATEWAY_OUTAGE, Kind.OUT_OF_BEDDING}
    assert probe_faults.blinds(fault(kind), 2 * DAY_MS) is (kind in blind)


def test_sentinels_and_pockets_are_about_temperatures() -> None:
    """Others are about the channel they name, or about all."""
    assert fault(Kind.SENTINEL).concerns("temperature")
    assert fault(Kind.IN_POCKET).concerns("air-temperature")
    assert not fault(Kind.SENTINEL).concerns("moisture")
    assert fault(Kind.STUCK).concerns("moisture")
    assert fault(Kind.STUCK, channel="moisture").concerns("moisture")
    assert not fault(Kind.STUCK, channel="moisture").concerns("temperature")


def test_drift_grows_by_the_day() -> None:
    """Nothing when it begins, `size` after a day, twice that after two."""
    wandering = fault(Kind.DRIFT, size=-12.0)
    found = [probe_faults.bent(wandering, day * DAY_MS, 1800.0, seeded()) for day in (1, 2, 3)]
    assert found == [1800, 1788, 1776]


def test_wrong_calibration_scales_and_shifts() -> None:
    """Times the factor, plus the offset."""
    assert probe_faults.bent(fault(Kind.WRONG_CALIBRATION, factor=1.1, offset=-5.0), DAY_MS, 20.0, seeded()) == 17


def test_spikes_hit_their_share_of_the_readings() -> None:
    """About one in ten of 2,000 is off, either way, by no more than its size; the others are as they were."""
    spiky, draws = fault(Kind.SPIKE, size=4.0, share=0.1), seeded()
    found = [probe_faults.bent(spiky, DAY_MS, 20.0, draws) for _ in range(2000)]
    off = [value for value in found if value != 20.0]
    assert 150 < len(off) < 250
    assert 16 <= min(off) < 17 < 23 < max(off) <= 24


def test_other_faults_leave_a_reading_alone() -> None:
    """A radio in trouble does not change what the probe measures."""
    assert probe_faults.bent(fault(Kind.FLAKY_RADIO), DAY_MS, 20.0, seeded()) == 20.0


def test_a_flaky_radio_loses_and_delays_its_shares() -> None:
    """Of 2,000 messages about 30 % are lost, and about 20 % of the others late by up to ten minutes."""
    flaky, draws = fault(Kind.FLAKY_RADIO, lost=0.3, late=0.2, late_by_ms=600_000), seeded()
    lost = [probe_faults.loses(flaky, 3.9, draws) for _ in range(2000)]
    delays = [probe_faults.delay_ms(flaky, draws) for _ in range(2000)]
    assert 540 < sum(lost) < 660
    assert 330 < sum(delay > 0 for delay in delays) < 470
    assert 500_000 < max(delays) <= 600_000
    assert probe_faults.delay_ms(fault(Kind.DYING_BATTERY), draws) == 0
    assert not probe_faults.loses(fault(Kind.STUCK), 3.9, draws)


def test_a_battery_runs_down_slowly() -> None:
    """1.5 mV a day from 3.95 V, and never below nothing."""
    assert probe_faults.battery_v((), 0) == 3.95
    assert probe_faults.battery_v((), 100 * DAY_MS) == pytest.approx(3.80)
    assert probe_faults.battery_v((), 10_000 * DAY_MS) == 0


def test_a_dying_battery_takes_the_radio_with_it_and_is_replaced() -> None:
    """From what it had to 2.6 V over the fault; fewer and fewer messages get through below 3.2 V and none below 3.0;
    afterwards there is a new cell, and the old age does not come back."""
    dying = fault(Kind.DYING_BATTERY)
    volts = [probe_faults.battery_v((dying,), round(day * DAY_MS)) for day in (1, 2, 2.999, 3, 4)]
    assert volts == pytest.approx([3.9485, 3.27425, 2.6007, 3.95, 3.9485], abs=0.001)
    draws = seeded()
    assert not any(probe_faults.loses(dying, 3.5, draws) for _ in range(100))
    assert 20 < sum(probe_faults.loses(dying, 3.1, draws) for _ in range(100)) < 80
    assert all(probe_faults.loses(dying, 2.9, draws) for _ in range(100))
    assert probe_faults.blinds(dying, 3 * DAY_MS - 1)
    assert not probe_faults.blinds(dying, DAY_MS)
    assert (probe_faults.cuts_power(dying, 2.9), probe_faults.cuts_power(dying, 3.5)) == (True, False)
    other = (fault(Kind.STUCK),)
    assert probe_faults.battery_v(other, 2 * DAY_MS) == probe_faults.battery_v((), 2 * DAY_MS)
    assert probe_faults.battery_v((dying,), DAY_MS - 1) == probe_faults.battery_v((), DAY_MS - 1)


def test_unplugging_one_channel_leaves_the_box_on() -> None:
    """Only the whole box unplugged is without power."""
    assert probe_faults.cuts_power(fault(Kind.UNPLUGGED), 3.9)
    assert not probe_faults.cuts_power(fault(Kind.UNPLUGGED, channel="moisture"), 3.9)


def test_each_fault_has_random_numbers_of_its_own() -> None:
    """The same for the same fault and seed, others for another seed or channel."""
    first = fault(Kind.SPIKE, channel="moisture").stream(1).random()
    assert fault(Kind.SPIKE, channel="moisture").stream(1).random() == first
    assert fault(Kind.SPIKE, channel="moisture").stream(2).random() != first
    assert fault(Kind.SPIKE, channel="temperature").stream(1).random() != first
