"""A tray: feed that heats in its pocket, drying, dripping."""

import pytest

from sim_sensors.physics import air, drainage, feed, heat, tray
from sim_sensors.physics.tray import Around, Bedding, Tray
from tests.sim.small import whole_dry_kg, whole_water_kg

DAY_S = 86_400
HOUR_S = 3_600
TRAY = Tray(area_m2=0.165, lid=0.08, sides_w_k=0.8)
LID_ON = Around(20, air.vapour_kpa(20, 50), 0.08, 0.0)


def after(bed: Bedding, seconds: float, step_s: float = 300, around: Around = LID_ON) -> Bedding:
    for _ in range(round(seconds / step_s)):
        bed, _rot = tray.rotted(bed, 0.0, step_s)
        bed, _dry = tray.dried(TRAY, bed, around, step_s)
    return bed


def test_a_pocket_heats_as_a_hobby_log_saw_it() -> None:
    """One log of an overfed bin: 20 degC, 30.6 about a day later, 36 the next day in the feed line, while the edge of
    the bed stayed at 24-26 degC. 2.3 kg of scraps in a tray of 6 kg do that, within 1.5 degC."""
    bed = tray.fed(tray.bedding(6, 75, 20), 2.3, 20, 2 * DAY_S)
    one = after(bed, DAY_S)
    two = after(one, DAY_S)
    assert bed.pocket_c == pytest.approx(20)
    assert one.pocket_c == pytest.approx(30.6, abs=1.5)
    assert two.pocket_c == pytest.approx(36, abs=1.0)
    assert 24 <= two.temp_c <= 26
    assert after(two, 12 * DAY_S).pocket_c < 25


def test_a_usual_feed_heats_a_little() -> None:
    """100 g of scraps are under 5 degC warmer than the bedding, and the bedding warms by less than 1 degC."""
    bed, warmest, gap = tray.fed(tray.bedding(6, 75, 20), 0.1, 20, 2 * DAY_S), 0.0, 0.0
    for _ in range(7 * 24):
        bed = after(bed, HOUR_S)
        warmest, gap = max(warmest, bed.temp_c), max(gap, bed.pocket_c - bed.temp_c)
    assert 0.5 < gap < 5
    assert warmest < 21


def test_feed_heat_follows_its_curve() -> None:
    """The rate is q t/tau^2 exp(-t/tau): most at tau, and all of it given off in the end."""
    pocket, gone = feed.added(feed.EMPTY, 1.0, 20, 2 * DAY_S), []
    for _ in range(40 * 24):
        pocket, kg = feed.rotted(pocket, HOUR_S)
        gone.append(kg)
    assert gone.index(max(gone)) == pytest.approx(48, abs=1)
    assert sum(gone) == pytest.approx(1, abs=1e-6)
    assert gone[24] == pytest.approx(24.5 / 48**2 * 2.718281828 ** (-24.5 / 48), rel=1e-3)


def test_feeds_put_together_share_their_pace() -> None:
    """Two feeds make one pocket, its time and its spread the means by mass; nothing put in changes nothing."""
    one = feed.added(feed.EMPTY, 1.0, 20, 2 * DAY_S)
    both = feed.added(one, 3.0, 24, DAY_S, mixed=0.4)
    assert [both.tau_s, both.mixed] == pytest.approx([1.25 * DAY_S, 0.3])
    assert both.temp_c == pytest.approx(23)
    assert feed.added(feed.EMPTY, 0.0, 20, DAY_S) is feed.EMPTY


@pytest.mark.parametrize(("temp_c", "pace"), [(-5, 0), (0, 0), (7.5, 0.5), (15, 1), (55, 1), (62.5, 0.5), (80, 0)])
def test_rotting_stops_in_frost_and_in_great_heat(temp_c: float, pace: float) -> None:
    """Full from 15 to 55 degC, none at 0 and from 70 on."""
    assert feed.pace(temp_c) == pytest.approx(pace)


def test_feed_stirred_in_heats_the_bedding_and_not_itself() -> None:
    """With all of the heat mixed in, bedding is the warmer of the two while it rises."""
    bed = after(tray.fed(tray.bedding(6, 75, 20), 1.0, 20, DAY_S, mixed=1.0), DAY_S)
    assert bed.temp_c > bed.pocket_c > 21


def test_a_sealed_tray_keeps_the_heat_of_its_feed() -> None:
    """Without losses the heat of the feed, and that of the bedding's own rotting, is all in the temperature in the
    end."""
    bed, burnt = tray.fed(tray.bedding(6, 75, 20), 0.2, 20, 3 * HOUR_S), 0.0
    for _ in range(2 * 288):
        bed, rot = tray.rotted(bed, 0.0, 300)
        burnt += rot.burnt_kg
    assert bed.pocket is feed.EMPTY
    assert burnt > 0.2 * 0.15 * 0.5
    assert bed.temp_c == pytest.approx(20 + burnt * feed.HEAT_J_KG_BURNT / bed.capacity_j_k, rel=1e-3)


def test_a_pocket_spread_out_is_bedding() -> None:
    """Nothing of its matter or heat is lost, and it heats no more."""
    bed = after(tray.fed(tray.bedding(6, 75, 20), 1.0, 20, DAY_S), DAY_S)
    flat = tray.spread(bed)
    assert flat.pocket is feed.EMPTY
    for whole in (whole_water_kg, whole_dry_kg, tray.whole_energy_j):
        assert whole(flat) == pytest.approx(whole(bed), rel=1e-12)
    assert flat.pocket_c == flat.temp_c


def test_open_tray_dries_as_the_formula_says_and_cools() -> None:
    """An open tray held at 20 degC in 50 %RH loses 0.165 m2 x 1.520 kg/m2 a day; left to itself it cools below the room
    but not below the wet-bulb temperature (13.78 degC at 20 degC, 50 %RH; computed with psychrolib 2.5)."""
    around = Around(20, air.vapour_kpa(20, 50), 1.0, 0.0)
    bed = tray.bedding(6, 75, 20)
    _, dried = tray.dried(TRAY, bed, around, 60)
    assert dried.evaporated_kg * 1440 == pytest.approx(0.165 * 1.520, rel=1e-3)
    assert 13.78 < after(bed, 2 * DAY_S, around=around).temp_c < 19


def test_a_lidded_tray_dries_far_slower_than_an_open_one() -> None:
    """Open, a tray loses at most 0.25 kg a day at 1.5 mm/d (computed from Penman 1963); with its lid on less than a
    fifth of that, and more than nothing."""
    _, dried = tray.dried(TRAY, tray.bedding(6, 75, 20), LID_ON, 60)
    assert 0.005 < dried.evaporated_kg * 1440 < 0.25 / 5


@pytest.mark.parametrize(("moisture", "share"), [(75, 1.0), (50, 1.0), (25, 0.5)])
def test_dry_bedding_gives_up_its_water_slowly(moisture: float, share: float) -> None:
    """Below half moisture the drying rate falls in proportion."""
    around = Around(20, air.vapour_kpa(20, 50), 1.0, 0.0)
    _, dried = tray.dried(TRAY, tray.bedding(6, moisture, 20), around, 60)
    assert dried.evaporated_kg * 1440 == pytest.approx(share * 0.165 * 1.520, rel=1e-3)


def test_adding_at_bed_temperature_changes_no_temperature() -> None:
    """Water and feed as warm as the bedding leave its temperature as it was."""
    bed = tray.fed(tray.poured(tray.bedding(6, 75, 22), 1, 22), 1, 22, DAY_S)
    assert bed.temp_c == pytest.approx(22)
    assert bed.pocket_c == pytest.approx(22)


def test_shared_heat_ends_at_the_mean_however_long_the_step() -> None:
    """Two bodies come to one temperature and never past it; surroundings keep theirs."""
    moved = heat.shared_j(5.0, 1000, 40, 3000, 20, 1e9)
    assert 40 - moved / 1000 == pytest.approx(25) == pytest.approx(20 + moved / 3000)
    assert heat.from_around_j(5.0, 1000, 40, 20, 1e9) == pytest.approx(-20_000)
    assert heat.shared_j(5.0, 1000, 40, 3000, 20, 0.001) == pytest.approx(5.0 * 20 * 0.001, rel=1e-4)


def test_what_bedding_cannot_hold_drips_out_in_hours() -> None:
    """4 kg of water on 1 kg of dry matter that holds 6 kg: 63 % of what is too much is gone in an hour, all in a day;
    bedding within what it holds lets nothing go."""
    hour, moved = drainage.drained([TRAY], [Bedding(1, 10, 0)], 100, HOUR_S)
    day, _ = drainage.drained([TRAY], [Bedding(1, 10, 0)], 100, DAY_S)
    still, none = drainage.drained([TRAY], [Bedding(1, 6, 0)], 100, DAY_S)
    assert hour[0].water_kg == pytest.approx(6 + 4 * 0.3679, rel=1e-3)
    assert moved[0].out_kg == pytest.approx(4 * 0.6321, rel=1e-3)
    assert day[0].water_kg == pytest.approx(6)
    assert (still[0].water_kg, none[0].out_kg) == (6, 0)


def test_water_goes_down_and_over_the_rim_where_it_cannot() -> None:
    """What drips from the upper tray arrives in the lower; a blocked drain keeps it there until the pores are full (11
    kg a kg dry), and then it runs over. Nothing is lost on the way."""
    specs, beds = [TRAY, TRAY], [Bedding(1, 14, 1e5), Bedding(1, 10.5, 1e5)]
    out, moved = drainage.drained(specs, beds, 0.0, 300)
    assert moved[1].in_kg == moved[0].out_kg == pytest.approx(3)
    assert [moved[1].out_kg, moved[1].spilled_kg] == pytest.approx([0, 2.5])
    assert out[1].water_kg == pytest.approx(11)
    assert sum(b.water_kg for b in out) + moved[1].spilled_kg == pytest.approx(24.5)
    assert sum(b.energy_j for b in out) + moved[1].out_j == pytest.approx(2e5)
    _, free = drainage.drained(specs, beds, 100.0, 300)
    assert [free[1].out_kg, free[1].spilled_kg] == pytest.approx([2.5, 0])


def test_pores_fill_with_water() -> None:
    """Half of what fills them leaves half of them to the air; more than that leaves none."""
    assert tray.air_share(TRAY, Bedding(1, 5.5, 0)) == pytest.approx(0.5)
    assert tray.air_share(TRAY, Bedding(1, 12, 0)) == 0
