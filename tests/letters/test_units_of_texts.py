"""What the shipped alarms say, in the units of the lab wherever people read it: mail, chat, page and digest."""

import re
from collections.abc import Iterator
from dataclasses import replace

import pytest

from collector.alarms.model import Rule
from collector.reports.digest import sections
from tests.alarms.shipped_sets import RULES
from tests.board.test_words import BASE
from tests.letters.examples import HOT, LAB, NOW, RAISED, TOP, TOP_TEMPERATURE
from tests.letters.letters import WARM, render
from tests.reports.test_digest import QUIET, STANDS, TEACHER


@pytest.mark.parametrize(("us", "foreign"), [(False, r"°F|fl oz|\bqt\b|\blb\b"), (True, r"°C|(?<!/)\bL\b|\bkg\b")])
@pytest.mark.parametrize("shipped", list(RULES.values()), ids=list(RULES))
def test_what_ships_is_read_in_the_units_of_the_lab(shipped: Rule, us: bool, foreign: str) -> None:
    """No brace is left of a quantity, no unit of the other system, in none of the places where the text stands."""
    texts = {name: getattr(shipped, name) for name in ("consequence", "corrective_action", "basis")}
    for told in _told(replace(HOT, **texts), us):
        assert not re.search(r"[{}]|degC|litre", told)
        assert not re.search(foreign, told)


def _told(rule: Rule, us: bool) -> Iterator[str]:
    mail = render(RAISED, rule, TOP, replace(LAB, us_units=us), NOW, series=TOP_TEMPERATURE, last=WARM)
    yield from (mail.body, mail.short, mail.html.partition("<body")[2])
    yield replace(BASE, rule=rule, lab=replace(BASE.lab, us_units=us)).page().to_do
    view = replace(QUIET, lab=replace(QUIET.lab, us_units=us), standing=(replace(STANDS, rule=rule),))
    for section in sections(view, TEACHER):
        yield from section.lines


def test_the_words_of_an_alarm_are_those_of_its_kitchen() -> None:
    """A cup is 0.25 L or 8 fl oz; death comes at 35 °C or 95 °F."""
    assert "spray a cup of water (about 0.25 L)" in " ".join(_of("bedding-drying", us=False).split())
    assert "spray a cup of water (about 8 fl oz)" in " ".join(_of("bedding-drying", us=True).split())
    assert "They die at about 95 °F" in " ".join(_of("bedding-hot", us=True).split())


def _of(name: str, us: bool) -> str:
    shipped = RULES[name]
    rule = replace(HOT, consequence=shipped.consequence, corrective_action=shipped.corrective_action)
    return next(_told(rule, us))
