"""What the page says of an alarm in each state, from values alone."""

from dataclasses import replace

import pytest

from collector.alarms.model import LINK_SERIES, AlarmKey, AlarmState, Event, Kind, State
from collector.board.words import ON_IT, SEEN, OccurrenceView
from collector.config.lab_file import read_lab
from collector.domain.readings import Flag, StoredReading
from collector.letters.links import Ack
from collector.store.tables.alarm_rows import PastChange
from tests.services.clock import QUILLBROOK_MORNING_MS
from tests.worlds.by_hand import START, rules_of
from tests.worlds.home import LAB

MIN = 60_000
LAB_VALUES = read_lab(LAB, "lab.yaml")
HOT = next(rule for rule in rules_of() if rule.name == "bedding-hot")
KEY = AlarmKey("bedding-hot", 1)
SERIES = replace(
    LINK_SERIES, id=1, probe="juniper-top", measure="bedding_temperature", place="juniper/top", unit="degC"
)
RAISED = AlarmState(key=KEY, state=State.UNACKNOWLEDGED, active=True, since_ms=START, raised_ms=START + MIN)
ACK = Ack(
    rule="bedding-hot",
    place="juniper/top",
    series=1,
    raised_ms=START + MIN,
    role="teacher",
    expires_ms=START + 14 * 24 * 60 * MIN,
)


def change(event: Event, minute: float, by: str = "") -> PastChange:
    """One line of the history of this occurrence, which the collector noticed a minute later."""
    at_ms = START + round(minute * MIN)
    normal = State.NORMAL
    return PastChange(
        id=1,
        rule=KEY.rule,
        series=KEY.series,
        place=ACK.place,
        measure=SERIES.measure,
        priority="high",
        event=event,
        before=normal,
        after=normal,
        t_ms=at_ms,
        since_ms=START,
        raised_ms=ACK.raised_ms,
        value=None,
        worst=None,
        by=by,
        noticed_ms=at_ms + MIN,
    )


UP = change(Event.RAISED, 1)
BASE = OccurrenceView(
    ack=ACK,
    lab=LAB_VALUES,
    rule=HOT,
    series=SERIES,
    state=RAISED,
    past=[UP],
    asked=False,
    running=True,
    alive_ms=START + 29 * MIN,
    now_ms=START + 30 * MIN,
)


def test_an_alarm_that_nobody_has_taken_calls() -> None:
    """Place, what, since, priority with its time, colour, the button in whose name, what to do."""
    page = BASE.page()
    assert (page.lab, page.where) == ("Quillbrook School worm lab", "Juniper, top tray")
    assert page.what == "Bedding temperature too high"
    assert page.since == "08:00 (30 min ago)"
    assert page.priority == "high: time to respond 4 h, by 12:00"
    assert (page.level, page.button, page.role) == ("high", ON_IT, "teacher")
    assert page.state == ("Nobody is on it yet.",)
    assert page.to_do.startswith("Lift the blanket")
    assert not page.waiting


def held(state: State, **more: object) -> AlarmState:
    return replace(RAISED, state=state, **more)  # type: ignore[arg-type]


TAKEN, BACK = change(Event.ACKNOWLEDGED, 4, "class 4b"), change(Event.CLEARED, 9)
ON = "class 4b is on it, since 08:05."
NORMAL_AGAIN = "Back to normal at 08:09."
NOTHING = "There is nothing to acknowledge."
CASES = {
    "acknowledged": (held(State.ACKNOWLEDGED), [UP, TAKEN], "", "", [ON]),
    "returned": (
        held(State.RETURNED, active=False), [UP, BACK], SEEN, "",
        ["Nobody is on it yet.", NORMAL_AGAIN],
    ),
    "over": (None, [UP, TAKEN, BACK], "", "", [ON, NORMAL_AGAIN, f"It is over. {NOTHING}"]),
    "over, taken afterwards": (None, [UP, BACK, TAKEN], "", "", [ON, NORMAL_AGAIN, f"It is over. {NOTHING}"]),
    "called again": (
        held(State.UNACKNOWLEDGED), [UP, TAKEN, change(Event.RE_ALARMED, 20)], ON_IT, "high",
        ["Nobody is on it yet."],
    ),
    "another one": (
        held(State.UNACKNOWLEDGED, raised_ms=START + 20 * MIN), [UP, TAKEN, BACK], "", "",
        [ON, NORMAL_AGAIN, "That alarm is over. Another one stands since 08:20; its own message has its own link."],
    ),
    "another one, shelved": (
        held(State.SHELVED, raised_ms=START + 20 * MIN), [UP, BACK], "", "", [NORMAL_AGAIN, f"It is over. {NOTHING}"]
    ),
    "latched": (
        held(State.UNACKNOWLEDGED, active=False), [UP, change(Event.LATCHED, 9)], SEEN, "high",
        ["Nobody is on it yet.", NORMAL_AGAIN, "The alarm stays until somebody has looked."],
    ),
    "latched and taken": (
        held(State.ACKNOWLEDGED, active=False), [UP, TAKEN, change(Event.LATCHED, 9)], SEEN, "",
        [ON, NORMAL_AGAIN, "The alarm stays until somebody has looked."],
    ),
    "shelved": (
        held(State.SHELVED, shelved_until_ms=START + 120 * MIN, shelved_by="teacher", reason="repair"),
        [UP, change(Event.SHELVED, 3)], "", "", [f"Shelved by teacher until 10:00: repair. {NOTHING}"],
    ),
    "suppressed": (
        held(State.SUPPRESSED, cause="probe-silent at juniper"), [UP], "", "",
        [f"Suppressed (probe-silent at juniper). {NOTHING}"],
    ),
    "suppressed by design": (held(State.SUPPRESSED), [UP], "", "", [f"Suppressed (by design). {NOTHING}"]),
    "out of service": (held(State.OUT_OF_SERVICE), [UP], "", "", [f"Out of service. {NOTHING}"]),
    "rule removed": (
        None, [UP, change(Event.RULE_REMOVED, 9)], "", "",
        ["The rule was changed or taken away since.", f"It is over. {NOTHING}"],
    ),
    "unknown": (None, [], "", "", [
        "The journal of Quillbrook School worm lab does not know this alarm: the link is of another lab or of an older"
        f" journal. {NOTHING}"
    ]),
}  # fmt: skip


@pytest.mark.parametrize(("state", "past", "button", "level", "says"), CASES.values(), ids=CASES)
def test_each_state_has_its_words(
    state: AlarmState | None, past: list[PastChange], button: str, level: str, says: list[str]
) -> None:
    """The sentences, what there is to press, and colour only while someone is wanted and nobody is on it."""
    page = replace(BASE, state=state, past=past).page()
    assert list(page.state) == says
    assert (page.button, page.level) == (button, level)


def test_a_press_that_waits_says_so() -> None:
    """Grey, nothing more to press; with the collector running the page looks again by itself."""
    page = replace(BASE, asked=True).page()
    assert (page.state, page.button, page.level, page.waiting) == (
        ("Noted. The collector will take it up in a moment.",), "", "", True,
    )  # fmt: skip
    page = replace(BASE, asked=True, running=False).page()
    assert page.state[0] == "Noted. The collector takes it up when it runs again."
    assert not page.waiting


def test_a_collector_that_does_not_run_is_told() -> None:
    """What is shown may be old, and a press is kept; where it never ran there is no 'as of'."""
    page = replace(BASE, running=False).page()
    as_of = "The collector is not running; what stands here is as of 08:29."
    assert page.state[1:] == (as_of, "A press of the button is noted all the same.")
    assert page.button == ON_IT
    never = replace(BASE, running=False, alive_ms=None, state=None).page()
    assert never.state[-1] == "The collector is not running."


def test_a_rule_or_series_that_is_gone_is_shown_by_its_name() -> None:
    """What the link and the journal still know."""
    page = replace(BASE, rule=None).page()
    assert (page.what, page.priority, page.level, page.to_do) == ("alarm bedding-hot", "high", "medium", "")
    assert replace(BASE, rule=None, past=[]).page().priority == "not known"
    assert replace(BASE, series=None).page().what == "alarm bedding-hot"
    assert replace(BASE, ack=replace(ACK, place="attic")).page().where == "attic"


def test_the_link_to_the_broker_has_a_place_too() -> None:
    """No tray, no series of readings."""
    silent = replace(HOT, kind=Kind.SILENT)  # the only kind that watches the link
    page = replace(BASE, ack=replace(ACK, place="broker"), rule=silent, series=LINK_SERIES).page()
    assert (page.where, page.what) == ("Collector", "No connection to the broker")


def test_without_a_history_it_is_dated_by_the_link() -> None:
    """Since the alarm was raised; nothing is 'ago' under a clock that was set back."""
    assert replace(BASE, past=[]).page().since == "08:01 (29 min ago)"
    assert replace(BASE, now_ms=START - MIN).page().since == "08:00"
    assert replace(BASE, now_ms=QUILLBROOK_MORNING_MS).page().since.endswith("08:00")


def test_the_page_has_the_mails_own_figures_and_words() -> None:
    """The value now with its limit, the cautions, what comes of it and where the number comes from."""
    last = {1: StoredReading(series=1, t_ms=START + 29 * MIN, value=31.2, flag=Flag.PASS, raw=31.2, why=0)}
    page = replace(BASE, last=last).page()
    assert page.figures == (("Now", "31.2 °C at 08:29 (limit 30.0 °C)"),)
    assert page.to_do.splitlines()[-1].startswith("Afterwards wash your hands with soap")
    assert [label for label, _ in page.why] == ["If nothing is done by 12:00", "Basis"]
    us = replace(BASE, last=last, lab=replace(LAB_VALUES, us_units=True)).page()
    assert us.figures == (("Now", "88.2 °F at 08:29 (limit 86.0 °F)"),)


@pytest.mark.parametrize(("us", "amount"), [(False, "Add about 0.6 L of water"), (True, "Add about 19 fl oz of water")])
def test_the_page_has_the_amount_of_the_mail(us: bool, amount: str) -> None:
    """1.25 kg of dry bedding at 75 %, as in the mail: 1.25 (77.5/22.5 - 75/25) = 0.56 L."""
    places = tuple(replace(one, dry_kg=1.25) if one.id == "juniper/top" else one for one in LAB_VALUES.places)
    moist = replace(SERIES, measure="bedding_moisture", unit="%")
    page = replace(
        BASE,
        lab=replace(LAB_VALUES, us_units=us, places=places),
        rule=replace(HOT, kind=Kind.LOW, measure="bedding_moisture", setpoint=76.0),
        series=moist,
        known={1: moist},
        last={1: StoredReading(series=1, t_ms=START + 29 * MIN, value=75.0, flag=Flag.PASS, raw=75.0, why=0)},
    ).page()
    assert amount in page.to_do
    assert page.figures == (("Now", "75.0 % at 08:29 (limit 76.0 %)"),)


def test_a_link_of_another_lab_says_so() -> None:
    """The journal has no such series, or has it elsewhere; nothing can be pressed."""
    words = "This link is of another lab: the journal of Quillbrook School worm lab has no such probe at juniper/top."
    for series in (None, replace(SERIES, place="maple/top")):
        page = replace(BASE, state=None, past=[], series=series).page()
        assert page.state == (f"{words} {NOTHING}",)
        assert page.button == ""


def test_an_alarm_that_is_over_asks_for_nothing() -> None:
    """No figures and nothing to do once it is over."""
    page = replace(BASE, state=None, past=[UP, BACK]).page()
    assert (page.figures, page.to_do, page.why) == ((), "", ())
