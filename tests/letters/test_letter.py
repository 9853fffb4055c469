"""A whole message to one person: what stands in it, for one alarm and for many."""

import json
from dataclasses import replace
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from collector.alarms.model import Event, Kind, Priority, State
from collector.domain.lab import Place, PlaceKind
from collector.domain.readings import Flag, StoredReading
from collector.letters.facts import Usual
from collector.letters.form.blocks import WIDTH, Section
from collector.letters.form.html import PICTURE
from collector.letters.letter import IN_DETAIL, SHORT, report_letter
from collector.telling.message_plan import Item
from collector.telling.notice import Reason
from tests.letters.examples import (
    CLEARED,
    HOT,
    HOUR,
    KETTLE_PUMP,
    LAB,
    NOW,
    RAISED,
    SILENT,
    TOP_TEMPERATURE,
    at,
)
from tests.letters.letters import HOT_ITEM, WARM, FakeFacts, letter
from tests.letters.test_amounts import DRY, moist

URL = "https://lab.quillbrook.example/acknowledge/" + "x" * 160


def flowing(body: str) -> str:
    return " ".join(body.split())


# One alarm


def test_the_usual_band_stands_beside_the_value() -> None:
    """Four of five hours of the last two weeks, in the lab's unit; nothing where too little is known."""
    told = letter(facts=FakeFacts(band=Usual(21.5, 24.0, 14)))
    assert "Usual:       21.5 °C to 24.0 °C (last 14 days)\n" in told.body
    us = letter(facts=FakeFacts(replace(LAB, us_units=True), band=Usual(21.5, 24.0, 14)))
    assert "Usual:       70.7 °F to 75.2 °F (last 14 days)\n" in us.body
    flat = letter(facts=FakeFacts(band=Usual(21.5, 21.5, 3)))
    assert "Usual:       21.5 °C (last 3 days)\n" in flat.body
    assert "Usual" not in letter().body


def test_who_else_is_told() -> None:
    """Nobody acts twice, and nobody thinks that somebody else does it."""
    assert "Also told:   nobody else\n" in letter().body
    assert "Also told:   maintainer, second teacher\n" in letter(others=("maintainer", "second teacher")).body


def test_the_link_and_the_command_acknowledge() -> None:
    """Where there are pages the link comes first, whole on a line of its own; the command is always there."""
    told = letter(facts=FakeFacts(url=URL))
    assert f"Say that you are on it:\n  {URL}\nor type:\n  traywarden alarms acknowledge" in told.body
    assert f'<a href="{URL}"' in told.html
    assert told.short.endswith(f"\nAcknowledge: {URL}")


def test_the_first_words_say_what_to_do() -> None:
    """What a phone shows in its list: the first thing to do, then value, since when and by when; hidden in the HTML."""
    told = letter()
    lead = "Take the lid off and move the bin out of the sun. Now 31.2 °C, since 09:40, act by 13:40."
    assert flowing(told.body).startswith(lead)
    assert f'display:none;max-height:0;overflow:hidden">{lead}</div>' in told.html


def test_time_used_up_is_said_in_the_first_words() -> None:
    """No time is promised that is gone, and the consequence has no date that is past."""
    told = letter(now_ms=at(3, 14))
    assert "since 09:40, act now." in flowing(told.body)[:100]
    assert "\nIf nothing is done:\n" in told.body


def test_a_reminder_says_that_nobody_has_acknowledged() -> None:
    """Its subject has the value of now; since when nobody has said that they see to it."""
    facts = FakeFacts(last={3: replace(WARM, value=33.0)})
    told = letter(replace(HOT_ITEM, why=Reason.REMINDER), facts=facts)
    assert told.subject == "STILL URGENT: Juniper, top tray: bedding temperature too high, 33.0 °C"
    assert "Told now: nobody has acknowledged this since 09:50 (30 min ago)" in flowing(told.body)
    assert "Nobody has acknowledged this since 09:50 (30 min ago)." in told.short


def test_a_reminder_of_what_somebody_sees_to_says_that() -> None:
    """Acknowledged, and it still stands."""
    told = letter(replace(HOT_ITEM, why=Reason.REMINDER), facts=FakeFacts(acked_ms=at(3, 10)))
    assert "it still stands; it was acknowledged at 10:00 (20 min ago)" in flowing(told.body)


def test_an_escalation_says_so_in_its_subject() -> None:
    """The next step learns that it is theirs now."""
    told = letter(replace(HOT_ITEM, why=Reason.PASSED_ON))
    assert told.subject.startswith("URGENT, NOBODY IS ON IT: Juniper, top tray: ")
    assert "nobody has acknowledged this since" in flowing(told.body)
    bad = FakeFacts(last={3: StoredReading(series=3, t_ms=NOW, value=None, flag=Flag.FAIL, raw=85.0, why=64)})
    assert letter(replace(HOT_ITEM, why=Reason.PASSED_ON), facts=bad).subject.endswith("31.2 °C")


def test_what_came_and_went_says_how_long_and_how_bad() -> None:
    """Over before anybody was told: nothing to be done."""
    told = letter(replace(HOT_ITEM, ended=CLEARED), now_ms=at(3, 12))
    assert told.subject == "CAME AND WENT: Juniper, top tray: bedding temperature too high, 31.2 °C"
    assert "Worst:       33.4 °C\n" in told.body
    assert "What to do" not in told.body
    removed = letter(replace(HOT_ITEM, ended=replace(CLEARED, event=Event.RULE_REMOVED)))
    assert removed.subject.startswith("NOTE: ")
    assert "is no longer in the rules" in removed.subject


def test_cautions_stand_where_the_task_is_done() -> None:
    """Before a hand goes into the water, and after it has been in the bedding."""
    pump = replace(HOT, name="pump-off", kind=Kind.LOW, measure="air_pump", setpoint=0.5)
    body = letter(Item(transition=replace(RAISED, value=0.0), rule=pump, series=KETTLE_PUMP)).body
    todo = body.split("What to do:\n")[1].split("\n\n")[0]
    assert todo.startswith("  Dry hands; pull the plug before you reach into the water.\n")
    assert todo.endswith("Afterwards wash your hands with soap and running water, 20 s or more.")


def test_a_caution_that_the_rule_gives_is_not_said_twice() -> None:
    """The rules that ship say where to wash hands and when to pull the plug."""
    action = "Pull the plug with dry hands. Then look at the hose. Wash your hands afterwards."
    pump = replace(HOT, kind=Kind.LOW, measure="air_pump", setpoint=0.5, corrective_action=action)
    body = letter(Item(transition=replace(RAISED, value=0.0), rule=pump, series=KETTLE_PUMP)).body.lower()
    assert body.split("what to do:")[1].count("wash") == 1
    assert body.split("what to do:")[1].count("plug") == 1


def test_a_number_stays_with_its_unit() -> None:
    """No line of the text ends between them."""
    for level in range(20, 70):
        lines = moist(DRY, level + 0.7).body.split("\n")
        assert not [one for one, after in pairwise(lines) if one[-1:].isdigit() and after.lstrip()[:1] == "%"]


# Several alarms


def many(count: int) -> list[Item]:
    priority = {0: Priority.HIGH, 1: Priority.MEDIUM, 2: Priority.LOW}
    return [
        replace(HOT_ITEM, rule=replace(HOT, name=f"hot-{n}", priority=priority[min(n * 3 // count, 2)]))
        for n in range(count)
    ]


def test_several_alarms_are_one_message_worst_first() -> None:
    """The subject is the worst one's and says how many more; counts by urgency; each whole, in the given order."""
    told = letter(
        *many(3),
        replace(HOT_ITEM, ended=CLEARED),
        Item(transition=CLEARED, rule=HOT, series=TOP_TEMPERATURE),
        others=("cook",),
    )
    assert told.subject == "URGENT: Juniper, top tray: bedding temperature too high, 31.2 °C; and 4 more"
    line = "5 alarms, worst first: 1 urgent, 1 soon, 1 minor, 1 came and went, 1 back to normal"
    act = "Take the lid off and move the bin out of the sun. Now 31.2 °C, since 09:40, act by 13:40."
    assert flowing(told.body).startswith(f"{act} Juniper, top tray: bedding temperature too high. {line}.")
    order = [told.body.index(part) for part in ("hot-0 ", "hot-1 ", "hot-2 ", "BACK TO NORMAL: ", "Came and went (1):")]
    assert order == sorted(order)
    assert "Also told:   cook (of the first)\n" in told.body
    assert told.body.count("What to do:") == 3


def test_of_500_alarms_none_is_left_unsaid() -> None:
    """Twenty in detail, then a line each; those that came and went in a summary."""
    gone = [replace(one, ended=CLEARED) for one in many(100)]
    told = letter(*many(400), *gone)
    assert told.body.count("What to do:") == IN_DETAIL
    assert "Further ones, worst first (380):\n- URGENT: Juniper, top tray: bedding temp" in told.body
    assert "Came and went (100):\n" in told.body
    assert told.body.count("\n- ") == 480
    assert told.html.count("<li ") == 480
    assert told.subject.endswith("; and 499 more")
    assert len(told.short) <= SHORT


def test_what_waited_is_counted_and_said() -> None:
    """Why it comes now: the bound per hour, or the collector was away."""
    held = flowing(letter(*many(3), held=2).body)
    assert "2 of these waited because enough messages had gone to you within the hour. None is left out." in held
    assert "1 of these waited because" in flowing(letter(*many(3), held=1).body)
    assert "The collector had been away" in flowing(letter(catching_up=True).body)
    assert "waited because" in letter(held=1).short


def test_other_changes_are_counted_too() -> None:
    """A rule taken out while its alarm stood."""
    told = letter(
        Item(transition=replace(CLEARED, event=Event.RULE_REMOVED), rule=HOT, series=TOP_TEMPERATURE), HOT_ITEM
    )
    assert "1 urgent, 1 other changes" in flowing(told.body)
    assert flowing(told.body).startswith("2 alarms, worst first:")
    alone = letter(Item(transition=replace(CLEARED, event=Event.RULE_REMOVED), rule=HOT, series=TOP_TEMPERATURE))
    assert flowing(alone.body).startswith("The alarm is no longer in the rules, so nobody hears of it any more. NOTE:")


# Chat, pictures, reports


def test_a_short_form_too_long_is_cut_and_keeps_its_link() -> None:
    """Cut at a word, with where the rest is; the link last and whole."""
    wordy = replace(HOT, corrective_action="Open the lid and look. " * 60)
    told = letter(replace(HOT_ITEM, rule=wordy), facts=FakeFacts(url=URL), others=("maintainer",) * 40)
    assert len(told.short) <= SHORT
    assert told.short.endswith(
        f"…\nMore is on the page behind the link.\n{told.short.splitlines()[-2]}\nAcknowledge: {URL}"
    )
    alone = letter(replace(HOT_ITEM, rule=wordy)).short
    assert "…\nMore: traywarden rules list bedding-hot\nAlso told" in alone
    assert "…\nAll of them: traywarden alarms list\nAlso told" in letter(*many(40)).short


def test_the_first_alarm_about_a_line_of_readings_is_drawn() -> None:
    """Silent probes, switches and what is over have no line to draw; the setpoint goes in where it is a value."""
    silent = Item(transition=replace(RAISED, value=None), rule=SILENT, series=TOP_TEMPERATURE)
    assert letter(silent).picture == ""
    assert (
        letter(
            Item(transition=RAISED, rule=replace(HOT, kind=Kind.LOW, measure="air_pump"), series=KETTLE_PUMP)
        ).picture
        == ""
    )
    assert letter(Item(transition=CLEARED, rule=HOT, series=TOP_TEMPERATURE)).picture == ""
    drawn = json.loads(letter(silent, HOT_ITEM).picture)
    first, second = letter(silent, HOT_ITEM).html.split("<h2")[1:]
    assert PICTURE in second
    assert PICTURE not in first
    assert (drawn["series"], drawn["setpoint"], drawn["until_ms"]) == (3, 30.0, NOW)
    assert drawn["title"] == "Juniper, top tray: bedding temperature"
    rate = replace(HOT, kind=Kind.RATE, setpoint=2.0, window_ms=HOUR)
    assert json.loads(letter(replace(HOT_ITEM, rule=rate)).picture)["setpoint"] is None


def test_a_report_has_a_title_and_parts() -> None:
    """Digests and weekly reports: the same blocks, the first line of the first part in the phone's list."""
    told = report_letter(
        "Quillbrook School: all is well.", [Section("The bins", ("Juniper: all well", "Maple: all well"))]
    )
    assert told.body == ("Quillbrook School: all is well.\n\nThe bins:\n- Juniper: all well\n- Maple: all well\n")
    assert 'hidden">Juniper: all well</div>' in told.html
    assert told.short == "The bins: Juniper: all well; Maple: all well"
    assert report_letter("Nothing", []).body == "Nothing\n\nNothing to tell.\n"
    long = report_letter("Long", [Section("x", ("y" * 70,) * 30)])
    assert len(long.short) <= SHORT


TEXT = st.text(max_size=60) | st.sampled_from(["<script>alert(1)</script>", "a\r\nb", "\u202egnp", "x" * 5_000])


@given(
    words=TEXT,
    label=TEXT,
    kind=st.sampled_from(Kind),
    event=st.sampled_from(Event),
    why=st.sampled_from(Reason),
    ended=st.booleans(),
    several=st.booleans(),
)
def test_any_text_gives_a_letter_of_the_right_shape(
    words: str, label: str, kind: Kind, event: Event, why: Reason, ended: bool, several: bool
) -> None:
    """Whatever stands in lab.yaml and the rules: bounded subject and short form, short visible lines, no tags."""
    rule = replace(HOT, kind=kind, name=words or "x", corrective_action=words, consequence=words, basis=words)
    lab = replace(LAB, places=(Place(id="juniper/top", kind=PlaceKind.TRAY, label=label),))
    change = replace(RAISED, event=event, by=words, note=words)
    over = replace(CLEARED, after=State.NORMAL) if ended else None
    series = replace(TOP_TEMPERATURE, probe=words, channel=words)
    item = Item(transition=change, rule=rule, series=series, why=why, ended=over)
    told = letter(*[item] * (2 if several else 1), facts=FakeFacts(lab), others=(words,))
    assert len(told.subject) <= 170
    assert told.subject.isprintable()
    assert len(told.short) <= SHORT
    for line in told.body.split("\n"):
        assert line.isprintable()
        assert len(line) <= WIDTH or line.startswith(("  traywarden alarms acknowledge ", "    --at ")), "to be pasted"
    assert "<script" not in told.html
    assert all(line.isprintable() for line in told.html.split("\n"))
