"""What a message says of water and dry bedding to add, and when it says to wait."""

from dataclasses import replace

import pytest

from collector.alarms.model import AlarmKey, Kind, Outlook, Rule
from collector.domain.lab import Lab, Place, PlaceKind
from collector.domain.readings import Flag, StoredReading
from collector.domain.squeeze import Feel
from collector.husbandry.watering import TrayNow
from collector.letters.letter import Letter
from collector.telling.message_plan import Item
from tests.letters.examples import (
    CLEARED,
    HOT,
    HOUR,
    LAB,
    NOW,
    RAISED,
    TOP,
    TOP_MOISTURE,
    at,
)
from tests.letters.letters import FakeFacts, letter

DRY = replace(HOT, name="bedding-dry", kind=Kind.LOW, measure="bedding_moisture", setpoint=60.0)
WET = replace(DRY, name="bedding-wet", kind=Kind.HIGH, setpoint=88.0)
DRYING = replace(DRY, kind=Kind.RATE, setpoint=-1.0)
HEADING_DRY = replace(DRY, kind=Kind.FORECAST, toward="low")
HEADING_WET = replace(WET, kind=Kind.FORECAST, toward="high")


def weighed(dry_kg: float | None = 1.25, us: bool = False) -> Lab:
    return replace(LAB, us_units=us, places=(replace(TOP, dry_kg=dry_kg), *LAB.places[1:]))


def moist(rule: Rule, level: float | None, lab: Lab | None = None, tray: TrayNow | None = None) -> Letter:
    outlook = Outlook(NOW + HOUR, NOW, NOW + 2 * HOUR) if rule.kind is Kind.FORECAST else None
    change = replace(RAISED, key=AlarmKey(rule.name, 4), value=level, outlook=outlook)
    last = (
        {} if level is None else {4: StoredReading(series=4, t_ms=NOW, value=level, flag=Flag.PASS, raw=level, why=0)}
    )
    known = TrayNow() if tray is None else tray
    facts = FakeFacts(weighed() if lab is None else lab, last, moisture=level, tray=known)
    return letter(Item(transition=change, rule=rule, series=TOP_MOISTURE), facts=facts)


def flowing(body: str) -> str:
    return " ".join(body.split())


@pytest.mark.parametrize(
    ("rule", "level", "words"),
    [
        (
            DRY,
            75.0,
            "Add about 0.6 L of water over the whole tray, a cup at a time. That takes it from 75.0 % to about 77.5 %.",
        ),
        (DRYING, 75.0, "Add about 0.6 L of water over the whole tray, a cup at a time."),
        (HEADING_DRY, 75.0, "Add about 0.6 L of water over the whole tray, a cup at a time."),
        (WET, 87.0, "Mix in about 0.2 kg of dry shredded cardboard or newspaper over the whole tray. That takes it"),
        (HEADING_WET, 87.0, "Mix in about 0.2 kg of dry shredded cardboard"),
    ],
)
def test_what_to_add_and_how_much(rule: Rule, level: float, words: str) -> None:
    """1.25 kg of dry bedding: 1.25 (77.5/22.5 - 75/25) = 0.56 L; 0.25 kg at 8 % bring 87 % to 85 %."""
    told = moist(rule, level)
    assert f"What to do: {words}" in flowing(told.body)
    assert words.partition(". ")[0] in flowing(told.body)[:200], "in the first words too"
    assert words.partition(". ")[0] in told.short


def test_paper_is_not_for_castings_that_are_nearly_finished() -> None:
    """Beside the amount of dry bedding: what is nearly finished is drained or harvested."""
    words = "Add no water. Nearly finished castings get no paper: let them drain, or harvest them."
    assert words in flowing(moist(WET, 87.0).body)
    assert words in flowing(moist(WET, 88.0).body)


@pytest.mark.parametrize(("rule", "level"), [(WET, 88.0), (HEADING_WET, 88.0), (WET, 100.0)])
def test_a_full_tray_is_told_to_drain(rule: Rule, level: float) -> None:
    """From 88 % on water stands in it, and no amount follows from a moisture: it drains, and gets a handful."""
    told = moist(rule, level)
    first = "Let the tray drain first, then mix in a handful of dry shredded cardboard or newspaper."
    assert f"What to do: {first} It is so wet that nobody can say" in flowing(told.body)
    assert first in told.short
    assert "Mix in about" not in told.body


def test_an_amount_says_how_far_its_probe_may_be_off() -> None:
    """Three points for one that was calibrated here, five for one that goes by its maker's scale."""
    assert "The probe is taken to be right within 3 points." in flowing(moist(DRY, 75.0).body)
    assert "The probe is taken to be right within 3 points." in flowing(moist(WET, 87.0).body)
    told = flowing(moist(DRY, 75.0, tray=TrayNow(probe_pct=5.0)).body)
    assert "The probe is taken to be right within 5 points." in told


@pytest.mark.parametrize(
    ("tray", "level", "more", "when"),
    [
        (TrayNow(probe_pct=13.9), 73.5, "", "in an hour"),
        (TrayNow(probe_pct=13.9, poured_l=0.6), 73.3, " more", "tomorrow"),
    ],
)
def test_where_much_is_unknown_the_first_safe_step_is_told(tray: TrayNow, level: float, more: str, when: str) -> None:
    """At 73.5 % by a probe that may be 13.9 points off, 1.09 kg (7.33 - 6.94) = 0.43 L are safe of 0.84 L. Beside it
    when to look again: in an hour, or tomorrow where the day has taken up what it can."""
    told = flowing(moist(DRY, level, tray=tray).body)
    act = f"First add about 0.4 L{more} of water over the whole tray, a cup at a time."
    assert f"{act} That much is safe, and more at once may be too much: look again {when}." in told
    assert "on the next days" not in told


@pytest.mark.parametrize("rule", [DRY, WET])
def test_beyond_the_calibrated_points_there_is_no_amount(rule: Rule) -> None:
    """What a line says that nobody has measured is a guess: by the hand, then."""
    told = flowing(moist(rule, 58.0 if rule is DRY else 87.0, tray=TrayNow(beyond_points=True)).body)
    assert "Squeeze a handful from the middle first: the probe is beyond the points that it was calibrated at." in told
    assert "Add about" not in told
    assert "Mix in about" not in told


def test_no_more_water_in_a_day_than_soaks_in() -> None:
    """1.25 (77.5/22.5 - 60/40) = 2.43 L take three days; the amount that is told first is that of today."""
    told = moist(DRY, 60.0)
    assert "Add about 1.0 L of water over the whole tray today, a cup at a time." in flowing(told.body)[:200]
    assert "Add about 1.0 L of water over the whole tray today, a cup at a time." in told.short
    whole = "It takes about 2.4 L in all from 60.0 % to about 77.5 %, the rest of it on the next days."
    assert whole in flowing(told.body)


def test_amounts_in_us_units() -> None:
    """0.56 L is 19 fl oz; a litre 1.1 and 2.4 L 2.6 quarts; 0.25 kg is 9 oz."""
    assert "Add about 19 fl oz of water" in moist(DRY, 75.0, weighed(us=True)).body
    told = flowing(moist(DRY, 60.0, weighed(us=True)).body)
    assert (
        "Add about 1.1 qt of water over the whole tray today, a cup at a time. It takes about 2.6 qt in all from 60.0 %"
        in told
    )
    assert "Mix in about 9 oz of dry" in moist(WET, 87.0, weighed(us=True)).body


@pytest.mark.parametrize(
    ("tray", "words"),
    [
        (
            TrayNow(feel=Feel.DAMP, felt_ms=at(3, 10, 5)),
            "Squeeze a handful right beside the probe, before anything is added: a hand found it damp at 10:05, the"
            " probe says 58.0 %. No amount is given until hand and probe agree.",
        ),
        (
            TrayNow(doubted=True),
            "Squeeze a handful right beside the probe, before anything is added: the probe says 58.0 %.",
        ),
        (
            TrayNow(sump_pct=97.0),
            "Add no water yet: first empty the sump, which is at 97 %, and see that the drain runs.",
        ),
        (TrayNow(sump_stands=True), "Add no water yet: first empty the sump, and see that the drain runs."),
        (TrayNow(poured_l=1.0), "Add no more water today: 1.0 L was noted."),
    ],
)
def test_water_waits_where_something_known_speaks_against_it(tray: TrayNow, words: str) -> None:
    """What the class noted, the sump and what was poured today; the rule's own 'water the tray' is then left out, and
    what to heed is not."""
    rule = replace(DRY, corrective_action="Water the tray today. Wash your hands afterwards.")
    change = replace(RAISED, key=AlarmKey(rule.name, 4), value=58.0)
    last = {4: StoredReading(series=4, t_ms=NOW, value=58.0, flag=Flag.PASS, raw=58.0, why=0)}
    facts = FakeFacts(weighed(), last, moisture=58.0, tray=tray)
    told = letter(Item(transition=change, rule=rule, series=TOP_MOISTURE), facts=facts)
    assert f"What to do: {words}" in flowing(told.body)
    assert words.partition(". ")[0] in told.short
    assert "Water the tray" not in told.body + told.html + told.short
    assert "Add about" not in told.body
    assert "Afterwards wash your hands with soap" in flowing(told.body)


def test_a_hand_that_agrees_is_enough() -> None:
    """Damp at 65 % is what damp may be: no water now, and no doubt of the probe."""
    facts = FakeFacts(weighed(), {}, moisture=65.0, tray=TrayNow(feel=Feel.DAMP, felt_ms=at(3, 10, 5)))
    change = replace(RAISED, key=AlarmKey(DRY.name, 4), value=65.0)
    told = flowing(letter(Item(transition=change, rule=DRY, series=TOP_MOISTURE), facts=facts).body)
    assert "Add no water now: a hand found it damp at 10:05. Lay the damp blanket back on" in told


def test_fast_drying_keeps_its_own_words() -> None:
    """An open lid is looked for whatever the water does."""
    rule = replace(DRYING, corrective_action="See whether the lid is open.")
    facts = FakeFacts(weighed(), {}, moisture=65.0, tray=TrayNow(poured_l=1.0))
    change = replace(RAISED, key=AlarmKey(rule.name, 4), value=-0.8)
    told = flowing(letter(Item(transition=change, rule=rule, series=TOP_MOISTURE), facts=facts).body)
    assert "Add no more water today" in told
    assert "See whether the lid is open." in told


@pytest.mark.parametrize(
    ("rule", "level"),
    [(DRY, 77.4), (DRY, 80.0), (DRY, 100.0), (DRY, None), (WET, 85.1), (WET, 80.0), (WET, 100.0)],
)
def test_no_amount_where_none_is_needed_or_known(rule: Rule, level: float | None) -> None:
    """Nothing negative, nothing that rounds to nothing, nothing from a level that is not known."""
    body = moist(rule, level).body
    assert "Add about" not in body
    assert "Mix in about" not in body
    assert "are estimates" not in body


def test_without_a_mass_the_amount_is_an_estimate_and_says_so() -> None:
    """By the size of the tray; how to tell the lab file, once in a message however many trays lack it."""
    told = moist(DRY, 60.0, weighed(None))
    assert "Add about 1.0 L of water over the whole tray today, a cup at a time." in flowing(told.body)
    assert "This is an estimate from the size of the tray: nobody has weighed its bedding." in flowing(told.body)
    assert "Amounts for Juniper, top tray are estimates: lab.yaml does not say" in flowing(told.body)
    assert "Write for instance 'bedding: 5 kg' at the tray" in flowing(told.body)
    dry = Item(transition=replace(RAISED, value=60.0), rule=DRY, series=TOP_MOISTURE)
    two = letter(dry, replace(dry, rule=HEADING_DRY), facts=FakeFacts(weighed(None), moisture=60.0))
    assert flowing(two.body).count("are estimates") == 1


def test_amounts_are_for_the_bedding_of_trays() -> None:
    """A moisture alarm elsewhere and other alarms of a tray have none."""
    bin_lab = replace(LAB, places=(Place(id="juniper/top", kind=PlaceKind.BIN, label="Juniper", dry_kg=1.0),))
    suspect = replace(DRY, kind=Kind.SUSPECT, window_ms=HOUR)
    for body in (moist(DRY, 60.0, bin_lab).body, moist(suspect, 60.0).body, letter(facts=FakeFacts(weighed())).body):
        assert "Add about" not in body
        assert "are estimates" not in body


@pytest.mark.parametrize(("us", "amount"), [(False, "1.0 L"), (True, "1.1 qt")])
def test_several_alarms_of_one_tray_give_its_amount_once(us: bool, amount: str) -> None:
    """Dry and drying fast in one mail: the first says how much, the second that it is said; each tray its own."""
    below = replace(TOP, id="juniper/bottom", label="Juniper, bottom tray", dry_kg=1.25)
    lab = replace(weighed(us=us), places=(*weighed().places, below))
    facts = FakeFacts(lab, moisture=60.0)
    items = [
        Item(transition=replace(RAISED, key=AlarmKey(rule.name, 4), value=60.0), rule=rule, series=series)
        for rule, series in ((DRY, TOP_MOISTURE), (DRYING, TOP_MOISTURE), (DRY, replace(TOP_MOISTURE, place=below.id)))
    ]
    first, second, third = flowing(letter(*items, facts=facts).body).split("What to do: ")[1:]
    add = f"Add about {amount} of water over the whole tray today, a cup at a time."
    assert first.startswith(add)
    assert second.startswith("What to do about its water is said above. Take the lid off")
    assert third.startswith(add)


def test_what_is_over_does_not_say_what_to_do() -> None:
    """The end of another alarm of the tray in the same mail: the amount stands at the one that calls."""
    over = Item(transition=replace(CLEARED, value=60.0), rule=DRYING, series=TOP_MOISTURE)
    dry = Item(transition=replace(RAISED, value=60.0), rule=DRY, series=TOP_MOISTURE)
    told = flowing(letter(over, dry, facts=FakeFacts(weighed(), moisture=60.0)).body)
    assert "What to do: Add about 1.0 L of water" in told
    assert "said above" not in told
