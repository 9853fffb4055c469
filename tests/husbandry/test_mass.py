"""The mass of a tray, learned from what was put into it, and how full of water it is."""

import numpy as np
import pytest

from collector.husbandry.mass import (
    PLAIN_FULL_PCT,
    MassSeen,
    fed,
    learned,
    limit_for,
    poured,
    share_of_full,
    weighed,
)


def after(dry_kg: float, before_pct: float, water_kg: float, more_dry_kg: float = 0.0) -> float:
    """Moisture after something was added, by masses alone."""
    water = dry_kg * before_pct / (100 - before_pct) + water_kg
    return 100 * water / (water + dry_kg + more_dry_kg)


def test_a_watering_weighs_the_tray() -> None:
    """A litre takes 1.5 kg dry from 70 % to 75 %: 1.5 (3 - 2.333) = 1 L."""
    found = poured(1.0, 70.0, 75.0)
    assert found is not None
    assert found.dry_kg == pytest.approx(1.5)
    assert found.off == pytest.approx(0.125, abs=0.01)


def test_a_feeding_weighs_it_too() -> None:
    """500 g of scraps are 425 g of water and 75 g dry; the tray is what shares them."""
    found = fed(0.5, 70.0, after(1.5, 70.0, 0.425, 0.075))
    assert found is not None
    assert found.dry_kg == pytest.approx(1.5)


@pytest.mark.parametrize(
    "seen",
    [poured(1.0, 75.0, 74.0), poured(0.1, 75.0, 75.2), fed(0.5, 88.0, 89.0)],
    ids=["drier after it", "a step like noise", "food drier than the bed"],
)
def test_a_step_that_says_nothing_is_left_out(seen: MassSeen | None) -> None:
    """Where the moisture fell meanwhile, moved less than it is unsure of, or food cannot have raised it."""
    assert seen is None


def test_nothing_seen_is_nothing_learned() -> None:
    """Somebody must pour or weigh first."""
    assert learned([]) is None


@pytest.mark.parametrize("truth", [0.6, 1.5, 4.0])
def test_the_range_holds_the_mass_nine_times_in_ten(truth: float) -> None:
    """Labs drawn at random: amounts noted within 10 %, a probe with noise and a slope of its own, six waterings each.
    Of 400 ranges 86 to 97 % hold the truth."""
    draw = np.random.default_rng(11)
    held = 0
    for _ in range(400):
        slope = draw.normal(1, 0.1)
        seen = []
        for _ in range(6):
            before, litres = draw.uniform(66, 74), draw.uniform(0.4, 0.8) * truth
            then = after(truth, before, litres)
            step = (then - before) * slope
            read = before + draw.normal(0, 0.3)
            seen.append(poured(litres * draw.normal(1, 0.1), read, read + step + draw.normal(0, 0.3)))
        found = learned([one for one in seen if one is not None])
        assert found is not None
        held += found.low <= truth <= found.high
    assert 0.86 <= held / 400 <= 0.97


def test_a_weighing_makes_it_sure() -> None:
    """6 kg at 75 % are 1.5 kg dry; with it the range is narrower than by waterings alone."""
    waterings = [MassSeen(1.6, 0.12), MassSeen(1.4, 0.12), MassSeen(1.5, 0.12)]
    by_pouring, by_weighing = learned(waterings), learned([*waterings, weighed(6.0, 75.0)])
    assert by_pouring is not None
    assert by_weighing is not None
    assert by_weighing.about == pytest.approx(1.5, abs=0.01)
    assert by_weighing.high - by_weighing.low < 0.5 * (by_pouring.high - by_pouring.low)


def test_observations_at_odds_widen_the_range() -> None:
    """Two that differ threefold are not told as sure as two that agree."""
    agree, differ = (
        learned([MassSeen(1.5, 0.12), MassSeen(1.5, 0.12)]),
        learned([MassSeen(1.0, 0.12), MassSeen(3.0, 0.12)]),
    )
    assert agree is not None
    assert differ is not None
    assert differ.high / differ.low > 2 * agree.high / agree.low


def test_wet_is_a_share_of_what_bedding_can_hold() -> None:
    """Plain bedding is full at 90.2 %; castings that are full at 82 % hold at 78.4 % what those hold at 88 %."""
    assert share_of_full(PLAIN_FULL_PCT) == pytest.approx(1.0)
    assert share_of_full(82.0, 82.0) == pytest.approx(1.0)
    assert share_of_full(88.0) == pytest.approx(0.797, abs=0.001)
    assert limit_for(88.0, 82.0) == pytest.approx(78.4, abs=0.1)
    assert limit_for(88.0, PLAIN_FULL_PCT) == pytest.approx(88.0)
