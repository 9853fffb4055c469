"""How drawn worlds are scored, on cases made by hand; and one of them played."""

from collections.abc import Sequence
from dataclasses import replace

import pytest

from sim_sensors.family import Sort
from sim_sensors.pack import Fact
from tests.alarms.shipped_sets import OWNS, RULES
from tests.bench import worlds
from tests.bench.playing import HOUR_MS, Played, Told
from tests.bench.scoring import Episode
from tests.bench.worlds_scoring import PROBE, TELLS, circumstance, needful, outcome, subjects, told_ms
from tests.bench.worlds_spans import Foretold, judged
from tests.sim.small import small_lab

DRY = frozenset({"dry"})
SILENT = frozenset({PROBE})
TOP = "juniper/top"


def said(
    hour: float, rule: str = "bedding-dry", place: str = TOP, event: str = "raised", since: float | None = None
) -> Told:
    since_ms = round((hour if since is None else since) * HOUR_MS)
    return Told(round(hour * HOUR_MS), "teacher", rule, place, "", event, "news", since_ms, False, "high", "")


def episode(what: str, begin: float, end: float, place: str = TOP, lasting: bool = True) -> Episode:
    begin_ms, end_ms = round(begin * HOUR_MS), round(end * HOUR_MS)
    return Episode(what, place, begin_ms, end_ms, begin_ms + 10 * HOUR_MS, lasting)


@pytest.mark.parametrize(
    ("told", "needed"),
    [
        (said(95), True),  # the harm is about to come
        (said(20), False),  # far too early
        (said(110), True),
        (said(150, since=140), False),  # long after it ended
        (said(100, place="maple/top"), False),  # another bin
        (said(100, place="juniper/bottom"), True),  # its neighbour is dry too
    ],
)
def test_a_message_is_needed_by_a_harm_of_its_subject(told: Told, needed: bool) -> None:
    """Near it in place and time; a message of another subject is not."""
    harm = episode("bedding-dry", 100, 115)
    assert needful(told, DRY, [harm], []) is needed
    assert not needful(told, frozenset({"hot"}), [harm], [])


@pytest.mark.parametrize(
    ("fault", "needed"),
    [
        (episode("radio_gaps", 0, 700), False),
        (episode("out_of_bedding", 99, 101), False),
        (episode("out_of_bedding", 99, 150), True),
        (episode("lesson", 99, 101), False),
        (episode("unplugged", 99, 101), True),
        (episode("gateway_outage", 98, 101), False),
    ],
)
def test_what_is_said_of_a_probe_is_needed_where_it_needs_hands(fault: Episode, needed: bool) -> None:
    """A gap that heals or an hour aside needs nobody; and no trouble of a probe makes 'dry' true."""
    assert needful(said(100, "probe-silent"), SILENT, [], [fault]) is needed
    assert not needful(said(100), DRY, [], [fault])


def test_a_place_without_readings_for_hours_is_no_harm_yet() -> None:
    """Only where it lasts a day."""
    assert not needful(said(100, "probe-silent"), SILENT, [episode("unwatched", 99, 103, lasting=False)], [])
    assert needful(said(100, "probe-silent"), SILENT, [episode("unwatched", 99, 130)], [])


def test_what_people_left_wrong_may_be_told_without_harm() -> None:
    """A lid left off is told as drying, not as heat."""
    lid = episode("dry_out", 90, 140)
    assert needful(said(100), DRY, [], [lid])
    assert not needful(said(100), frozenset({"hot"}), [], [lid])


def test_a_harm_is_told_by_the_first_message_that_still_stood() -> None:
    """One that was said to be over before the harm began does not count."""
    harm, about = episode("bedding-dry", 100, 120), {"bedding-dry": DRY, "probe-silent": SILENT}
    early = [said(60), said(70, event="cleared"), said(104)]
    assert told_ms(harm, early, about) == 104 * HOUR_MS
    assert told_ms(harm, [said(60)], about) == 60 * HOUR_MS
    assert told_ms(harm, [said(101, "probe-silent")], about) is None


@pytest.mark.parametrize("name", [name for name in RULES if name not in OWNS])
def test_every_shipped_alarm_has_a_subject(name: str) -> None:
    """By its kind and measure, so that no harm goes unheard for an alarm's name; comfort alarms have none."""
    comfort = {"room-air-dry", "tea-warm", "tea-cold"}
    assert (subjects(RULES[name]) == {"other"}) == (name in comfort)


def test_alarms_cover_all_harms() -> None:
    """Each harm has a shipped alarm that can tell of it."""
    told = {subject for rule in RULES.values() for subject in subjects(rule)}
    assert all(told & tells for tells in TELLS.values())


def test_the_circumstance_of_a_needless_message_is_named() -> None:
    """For who mends it: what people did at that time, before the habits of radios."""
    faults = [episode("radio_gaps", 0, 700), episode("out_of_bedding", 99, 101)]
    assert circumstance(said(100), faults) == "out_of_bedding"
    assert circumstance(said(200), faults) == "radio_gaps"
    assert circumstance(said(200), []) == "nothing"


def state(hour: float, moisture: float) -> Fact:
    values: dict[str, object] = {
        "temperature_c": 20.0,
        "moisture_pct": moisture,
        "dry_kg": 1.0,
        "water_kg": moisture / (100 - moisture),
    }
    return Fact(round(hour * HOUR_MS), "state", "tray", TOP, "now", values)


def told_of(facts: Sequence[Fact], *told: Told) -> Played:
    return Played(told=list(told), facts=list(facts), days=5)


def test_a_span_holds_where_the_truth_lies_in_it_and_nobody_touched_the_tray() -> None:
    """Its error is beside that of 'no change'."""
    foretold = [Foretold(TOP, 0, 60 * HOUR_MS, 76.0, 73.0, 74.0, 75.0)]
    held, missed = (judged(told_of([state(0, 76), state(60, true)]), foretold)[0] for true in (74.5, 70))
    assert (held.held, missed.held) == (True, False)
    assert (held.off, held.off_no_change) == pytest.approx((0.5, 1.5))
    watered = Fact(HOUR_MS, "care", "water", TOP, "now", {"kg": 1.0})
    assert judged(told_of([state(0, 76), watered, state(60, 70)]), foretold) == []


def test_water_that_would_drown_a_tray_is_unsafe() -> None:
    """Judged by what the tray truly holds."""
    lab = small_lab()
    dry, full = (told_of([state(1, 60)], replace(said(2), advised_l=litres)) for litres in (1.0, 8.0))
    assert [outcome(lab, one, True, [], 0.0).unsafe for one in (dry, full)] == [0, 1]


def test_worlds_of_a_sort_and_a_half_are_told_apart() -> None:
    """No world is of two, and another seed has others."""
    lists = [worlds.numbers(seed, kind, 5, aside) for seed in (0, 1) for kind in Sort for aside in (False, True)]
    assert len({number for some in lists for number in some}) == 40
    assert all(number % 2 == 0 for number in worlds.numbers(3, Sort.CALM, 5))


@pytest.mark.slow
def test_a_world_is_played_and_scored() -> None:
    """Through the whole chain: what goes wrong in it is seen, and it comes out the same each time."""
    first, again = ([found] for found in worlds.played([298, 298], rough_days=2))
    assert worlds.summary(first, "")["harms"] > 0
    assert worlds.summary(first, "") == worlds.summary(again, "")
