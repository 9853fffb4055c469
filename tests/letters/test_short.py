"""The short form for chat: what to do first, then where and what is wrong, then the rest of what is to be done."""

from dataclasses import replace

from collector.alarms.model import LINK_SERIES, AlarmKey, Event
from collector.telling.message_plan import Item
from collector.telling.notice import Reason
from tests.alarms.shipped_sets import RULES
from tests.letters.examples import CLEARED, HOT, KETTLE_PUMP, LAB, RAISED, SILENT, TOP_MOISTURE, TOP_TEMPERATURE
from tests.letters.letters import HOT_ITEM, FakeFacts, letter

US = replace(LAB, us_units=True)
OVER = Item(transition=CLEARED, rule=HOT, series=TOP_TEMPERATURE)


def test_the_short_form_begins_with_the_act() -> None:
    """Then the place, what is wrong with value and limit, since when, until when; then all else that is to be done, and
    who else knows."""
    assert letter(others=("maintainer",)).short == (
        "Take the lid off and move the bin out of the sun.\n"
        "Juniper, top tray: bedding temperature too high, 31.2 °C at 10:19 (limit 30.0 °C); since 09:40, act by"
        " 13:40.\n"
        "Lay a frozen water bottle on the blanket.\n"
        "Also told: maintainer."
    )
    assert letter(facts=FakeFacts(US)).short == (
        "Take the lid off and move the bin out of the sun.\n"
        "Juniper, top tray: bedding temperature too high, 88.2 °F at 10:19 (limit 86.0 °F); since 09:40, act by"
        " 13:40.\n"
        "Lay a frozen water bottle on the blanket.\n"
        "Also told: nobody else."
    )


def test_a_pump_that_stands_says_restart_the_pump() -> None:
    """As the mail does; a switch has no figure beside what is wrong."""
    stopped = replace(RAISED, key=AlarmKey("tea-air-stopped", KETTLE_PUMP.id), value=0.0)
    told = letter(Item(transition=stopped, rule=RULES["tea-air-stopped"], series=KETTLE_PUMP))
    act, wrong, rest = told.short.splitlines()[:3]
    assert act.startswith("Restart the pump, with dry hands: see whether it has power")
    assert wrong == "Kettle: air pump is off; since 09:40, act now."
    assert rest.startswith("If water has reached a plug")
    assert told.body.startswith("Restart the pump")


def test_an_amount_stands_first_in_the_units_of_the_lab() -> None:
    """What to add, where, and how much it comes to in all."""
    dry = Item(
        transition=replace(RAISED, key=AlarmKey("bedding-dry", TOP_MOISTURE.id), value=58.0),
        rule=RULES["bedding-dry"],
        series=TOP_MOISTURE,
    )
    for lab, amount in ((LAB, "1.0 L"), (US, "1.1 qt")):
        act, wrong, rest = letter(dry, facts=FakeFacts(lab, moisture=58.0)).short.splitlines()[:3]
        assert act == f"Add about {amount} of water over the whole tray today, a cup at a time."
        assert wrong == (
            "Juniper, top tray: bedding moisture too low, 58.0 % at 09:50 (limit 60.0 %); since 09:40, act by 21:40."
        )
        assert rest.startswith("It takes about ")


def test_what_cannot_be_measured_says_when_it_was_last_heard() -> None:
    """A silent probe; what is about the broker has no reading at all."""
    silent = Item(transition=replace(RAISED, value=None), rule=SILENT, series=TOP_TEMPERATURE)
    assert letter(silent).short.splitlines()[:2] == [
        "Look at the probe's lamp, plug and cable.",
        "Juniper, top tray: no usable bedding temperature reading, last heard 10:19 (1 min ago); since 09:40, act by"
        " 13:40.",
    ]
    assert letter(replace(silent, series=LINK_SERIES)).short.splitlines()[:2] == [
        "Look at the probe's lamp, plug and cable.",
        "Collector: no connection to the broker; since 09:40, act by 13:40.",
    ]
    wordless = replace(HOT_ITEM, rule=replace(HOT, corrective_action=""))
    assert letter(wordless).short.startswith("Juniper, top tray: bedding temperature too high, 31.2 °C")


def test_what_is_over_or_gone_says_where() -> None:
    """There is no act to begin with."""
    assert letter(OVER).short == (
        "Juniper, top tray: bedding temperature back to normal. Now 31.2 °C; lasted 1 h 40 min (09:40 to 11:20)."
    )
    removed = replace(OVER, transition=replace(CLEARED, event=Event.RULE_REMOVED))
    assert letter(removed).short == (
        "Juniper, top tray: bedding temperature too high: alarm bedding-hot is no longer in the rules, so nobody hears"
        " of it any more."
    )


def test_of_several_the_first_is_told_and_the_rest_have_a_line_each() -> None:
    """The act of the most urgent first, why it is told again, then the others."""
    again = replace(HOT_ITEM, why=Reason.REMINDER)
    assert letter(again, OVER).short == (
        "Take the lid off and move the bin out of the sun.\n"
        "Juniper, top tray: bedding temperature too high, 31.2 °C at 10:19 (limit 30.0 °C); since 09:40, act by 13:40."
        " Nobody has acknowledged this since 09:50 (30 min ago).\n"
        "- BACK TO NORMAL: Juniper, top tray: bedding temperature\n"
        "Also told: nobody else."
    )
