"""Letters about what is over, or nearly: no word that the reading gives the lie."""

from dataclasses import replace

import pytest

from collector.alarms.model import Kind, Priority
from collector.telling.message_plan import Item
from collector.telling.notice import Reason
from tests.letters.examples import CLEARED, HOT, KETTLE_PUMP, TOP_TEMPERATURE
from tests.letters.letters import HOT_ITEM, WARM, FakeFacts, letter


def flowing(text: str) -> str:
    return " ".join(text.split())


def test_what_is_over_while_a_lesser_alarm_stands_is_not_called_normal() -> None:
    """From 31 to 28.9 °C: no longer hot, and still above what is too warm."""
    warm = replace(HOT, name="bedding-warm", setpoint=27.0, priority=Priority.MEDIUM)
    told = letter(Item(transition=CLEARED, rule=HOT, series=TOP_TEMPERATURE), facts=FakeFacts(still=warm))
    assert told.subject == "LESS URGENT: Juniper, top tray: bedding temperature still above 27.0 °C"
    assert "normal" not in told.body
    low = replace(warm, kind=Kind.LOW)
    cold = letter(
        Item(transition=CLEARED, rule=replace(HOT, kind=Kind.LOW), series=TOP_TEMPERATURE), facts=FakeFacts(still=low)
    )
    assert cold.subject.endswith("bedding temperature still below 27.0 °C")
    both = letter(Item(transition=CLEARED, rule=HOT, series=TOP_TEMPERATURE), HOT_ITEM, facts=FakeFacts(still=warm))
    assert flowing(both.body).startswith("2 alarms, worst first: 1 urgent, 1 less urgent.")
    pump = replace(HOT, kind=Kind.LOW, measure="air_pump")
    off = letter(Item(transition=CLEARED, rule=pump, series=KETTLE_PUMP), facts=FakeFacts(still=pump))
    assert off.subject == "LESS URGENT: Kettle: air pump still off"


def test_what_came_and_went_is_told_with_its_limit() -> None:
    """Two alarms about the same readings are not the same line twice."""
    warm = replace(HOT, name="bedding-warm", setpoint=27.0)
    told = flowing(letter(*(replace(HOT_ITEM, rule=rule, ended=CLEARED) for rule in (HOT, warm))).body)
    assert "worst 33.4 °C (limit 30.0 °C) - " in told
    assert "worst 33.4 °C (limit 27.0 °C)" in told


@pytest.mark.parametrize("why", [Reason.REMINDER, Reason.PASSED_ON])
def test_a_reading_back_on_the_right_side_is_not_told_as_wrong(why: Reason) -> None:
    """29.5 °C under a limit of 30 °C, while the alarm waits out its off-delay."""
    cool = FakeFacts(last={3: replace(WARM, value=29.5)})
    told = letter(replace(HOT_ITEM, why=why), facts=cool).subject
    assert told.endswith("bedding temperature too high, now back at 29.5 °C")
    assert letter(replace(HOT_ITEM, why=why)).subject.endswith("too high, 31.2 °C")


def test_of_several_that_are_over_the_first_is_named_whole() -> None:
    """Where no word of urgency stands before it, what is right again is said in the sentence itself."""
    over = Item(transition=CLEARED, rule=HOT, series=TOP_TEMPERATURE)
    told = flowing(letter(over, replace(over, rule=replace(HOT, name="bedding-warm", setpoint=27.0))).body)
    assert "First: Juniper, top tray: bedding temperature back to normal. " in told
