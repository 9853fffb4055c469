"""Conditions as people write them, and when they hold: what was noted, what was known of it then, the lab's hours."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.alarms.contexts import CONDITION_EXAMPLES, Condition, Contexts, Fact, parse_condition
from collector.config.lab_file import read_lab
from collector.domain.diary import Brew, DiaryEntry, DiaryKind, Feel
from tests.worlds.values import DAY, HOUR, MIN, T0

LAB = read_lab(
    """\
lab: {name: Worm lab, time_zone: UTC, hours: {mon-fri: 08:00-16:00}}
bins:
  juniper: {trays: {top: , middle: }}
  juniper-2: {trays: {top: }}
brewers: {kettle: , pail: }
"""
)
CLOSED = read_lab("lab: {name: Worm lab, time_zone: UTC}")
WATERED = parse_condition("watered within 1 h")
BREWING, IN_SERVICE, OPEN = (parse_condition(text) for text in ("brew running", "tray in service", "lab open"))


def entry(
    number: int,
    t_ms: int,
    kind: DiaryKind = DiaryKind.WATERED,
    place: str = "juniper/top",
    taken_ms: int | None = None,
    struck_ms: int | None = None,
) -> DiaryEntry:
    taken = t_ms if taken_ms is None else taken_ms
    return DiaryEntry(
        id=number,
        t_ms=t_ms,
        taken_ms=taken,
        place=place,
        kind=kind,
        amount=None,
        result=None,
        by="class 4b",
        note="",
        struck_ms=struck_ms,
    )


def brew(number: int, started_ms: int, ended_ms: int | None = None, place: str = "kettle", noted_ms: int = 0) -> Brew:
    """Noted `noted_ms` after it happened, at its start as at its end."""
    end_taken = None if ended_ms is None else ended_ms + noted_ms
    return Brew(
        id=number,
        place=place,
        started_ms=started_ms,
        air_stopped_ms=ended_ms,
        ended_ms=ended_ms,
        taken_ms=started_ms + noted_ms,
        by="class 4b",
        ended_taken_ms=end_taken,
    )


# Conditions ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "condition"),
    [
        ("brew running", Condition(fact=Fact.BREW_RUNNING)),
        ("tray in service", Condition(fact=Fact.TRAY_IN_SERVICE)),
        ("  lab   open ", Condition(fact=Fact.LAB_OPEN)),
        ("watered within 1 h", Condition(fact=Fact.DONE_WITHIN, kind=DiaryKind.WATERED, within_ms=HOUR)),
        ("fed within 2 d", Condition(fact=Fact.DONE_WITHIN, kind=DiaryKind.FED, within_ms=2 * DAY)),
        ("drained within 90 min", Condition(fact=Fact.DONE_WITHIN, kind=DiaryKind.DRAINED, within_ms=90 * MIN)),
        ("harvested within 1 d", Condition(fact=Fact.DONE_WITHIN, kind=DiaryKind.HARVESTED, within_ms=DAY)),
        ("tray added within 3 d", Condition(fact=Fact.DONE_WITHIN, kind=DiaryKind.TRAY_ADDED, within_ms=3 * DAY)),
        ("brew started within 5 min", Condition(fact=Fact.BREW_STARTED, kind=None, within_ms=5 * MIN)),
    ],
)
def test_conditions(text: str, condition: Condition) -> None:
    """Each is read, and says itself as it was written but for blanks."""
    found = parse_condition(text)
    assert found == condition
    assert str(found) == " ".join(text.split())


def test_examples_are_conditions() -> None:
    """What messages and documents show can be written."""
    assert [str(parse_condition(text)) for text in CONDITION_EXAMPLES] == list(CONDITION_EXAMPLES)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("brew runing", "'brew runing' is not a condition; did you mean 'brew running'?"),
        ("Lab open", "did you mean 'lab open'?"),
        ("tray in servise", "did you mean 'tray in service'?"),
        ("waterd within 2 h", "did you mean 'watered within 2 h'?"),
        ("watered within", "did you mean 'watered within 1 h'?"),
        ("watered in 2 h", "did you mean 'watered within 1 h'?"),
        ("feed within soon", "did you mean 'fed within 1 h'?"),
        ("tray adde within 0 s", "did you mean 'tray added within 1 h'?"),
        (
            "full moon",
            "known: brew running, tray in service, lab open, and watered, fed, drained, harvested, tray added",
        ),
        ("watered within 2", "'2' has no unit; write it like '30 min'"),
        ("watered within -1 h", "is negative"),
        ("fed within 0 s", "'fed within 0 s' never holds; give a time, like 'fed within 1 h'"),
        ("", "a condition is one line of text; known: brew running"),
        (True, "a condition is one line of text"),
        (None, "a condition is one line of text"),
        (["lab open"], "a condition is one line of text"),
    ],
)
def test_what_is_no_condition_is_answered_with_the_nearest(text: object, said: str) -> None:
    """A slip, a wrong time, something else altogether."""
    with pytest.raises(ValueError, match=r".") as refused:
        parse_condition(text)
    assert said in str(refused.value)
    assert len(str(refused.value)) < 250


# Done within --------------------------------------------------------------------------------------------------------


def test_watered_holds_for_as_long_as_it_says() -> None:
    """From the moment until before the time is over, counted from the newest."""
    found = Contexts(LAB, [entry(1, T0), entry(2, T0 + 30 * MIN)])
    held = [found.holds(WATERED, "juniper/top", t) for t in (T0 - 1, T0, T0 + 90 * MIN - 1, T0 + 90 * MIN)]
    assert held == [False, True, True, False]
    assert found.next_change_ms(WATERED, "juniper/top", T0 - DAY) == T0
    assert found.next_change_ms(WATERED, "juniper/top", T0) == T0 + 90 * MIN
    assert found.next_change_ms(WATERED, "juniper/top", T0 + 90 * MIN) is None


def test_what_is_noted_late_counts_from_when_it_was_taken_up() -> None:
    """Judging the same readings again gives what was given then: before, nobody knew."""
    found = Contexts(LAB, [entry(1, T0, taken_ms=T0 + 40 * MIN), entry(2, T0 + DAY, taken_ms=T0 + DAY + 2 * HOUR)])
    assert found.spans(WATERED, "juniper/top", T0 - DAY, T0 + 9 * DAY) == [(T0 + 40 * MIN, T0 + HOUR)]


def test_a_struck_entry_counts_until_it_was_struck() -> None:
    """Not before, not after; and for nothing where it was struck at once."""
    found = Contexts(LAB, [entry(1, T0, struck_ms=T0 + 10 * MIN), entry(2, T0 + DAY, struck_ms=T0 + DAY)])
    assert found.spans(WATERED, "juniper/top", T0 - DAY, T0 + 9 * DAY) == [(T0, T0 + 10 * MIN)]
    assert found.next_change_ms(WATERED, "juniper/top", T0) == T0 + 10 * MIN


def test_a_bin_is_its_trays_and_a_tray_is_of_its_bin() -> None:
    """Water over a bin is over each of its trays, over a tray reaches the drain; other trays and bins stay dry."""
    at_bin, at_tray = Contexts(LAB, [entry(1, T0, place="juniper")]), Contexts(LAB, [entry(1, T0)])
    wet_at = [[place.id for place in LAB.places if found.holds(WATERED, place.id, T0)] for found in (at_bin, at_tray)]
    assert wet_at == [["juniper", "juniper/top", "juniper/middle"], ["juniper", "juniper/top"]]


def test_each_condition_is_about_its_own_kind() -> None:
    """Feeding is not watering."""
    found = Contexts(LAB, [entry(1, T0, DiaryKind.FED)])
    assert not found.holds(WATERED, "juniper/top", T0)
    assert found.holds(parse_condition("fed within 2 d"), "juniper/top", T0 + DAY)


# Out of service -----------------------------------------------------------------------------------------------------


def test_a_tray_is_in_service_unless_it_was_taken_out() -> None:
    """Always, where nothing was noted; taken out, until it is put back."""
    assert Contexts(LAB).holds(IN_SERVICE, "juniper/top", T0)
    assert Contexts(LAB).next_change_ms(IN_SERVICE, "juniper/top", T0) is None
    found = Contexts(LAB, [entry(1, T0, DiaryKind.OUT_OF_SERVICE), entry(2, T0 + DAY, DiaryKind.IN_SERVICE)])
    held = [found.holds(IN_SERVICE, "juniper/top", t) for t in (T0 - 1, T0, T0 + DAY - 1, T0 + DAY)]
    assert held == [True, False, False, True]
    assert found.next_change_ms(IN_SERVICE, "juniper/top", T0 - HOUR) == T0
    assert found.next_change_ms(IN_SERVICE, "juniper/top", T0) == T0 + DAY
    assert found.next_change_ms(IN_SERVICE, "juniper/top", T0 + DAY) is None


def test_out_of_service_goes_down_to_the_trays_and_not_up_to_the_bin() -> None:
    """A bin taken out takes its trays with it; a tray taken out leaves the bin and its other trays."""
    out = DiaryKind.OUT_OF_SERVICE
    at_bin = Contexts(LAB, [entry(1, T0, out, "juniper")])
    at_tray = Contexts(LAB, [entry(1, T0, out, "juniper/top")])
    out_at = [
        [place.id for place in LAB.places if not found.holds(IN_SERVICE, place.id, T0)] for found in (at_bin, at_tray)
    ]
    assert out_at == [["juniper", "juniper/top", "juniper/middle"], ["juniper/top"]]


def test_the_newest_word_decides_however_late_it_was_noted() -> None:
    """Put back at nine, noted; taken out at eight, noted only at ten: it is in service, and was taken as such."""
    found = Contexts(
        LAB,
        [
            entry(1, T0 + HOUR, DiaryKind.IN_SERVICE),
            entry(2, T0, DiaryKind.OUT_OF_SERVICE, taken_ms=T0 + 2 * HOUR),
        ],
    )
    assert found.spans(IN_SERVICE, "juniper/top", T0 - DAY, T0 + DAY) == [(T0 - DAY, T0 + DAY)]


def test_striking_out_of_service_puts_the_tray_back() -> None:
    """From when it was struck; alarms that were held back then are heard then."""
    found = Contexts(LAB, [entry(1, T0, DiaryKind.OUT_OF_SERVICE, struck_ms=T0 + HOUR)])
    assert found.spans(IN_SERVICE, "juniper/top", T0 - 1, T0 + DAY) == [(T0 - 1, T0), (T0 + HOUR, T0 + DAY)]


# Brews --------------------------------------------------------------------------------------------------------------


def test_a_brew_runs_from_when_its_start_was_noted_until_its_end_was() -> None:
    """At its own brewer; elsewhere, whichever brew runs."""
    found = Contexts(LAB, [], [brew(1, T0, T0 + DAY, noted_ms=MIN), brew(2, T0 + HOUR, place="pail")])
    assert found.spans(BREWING, "kettle", T0, T0 + 9 * DAY) == [(T0 + MIN, T0 + DAY + MIN)]
    assert found.spans(BREWING, "pail", T0, T0 + 9 * DAY) == [(T0 + HOUR, T0 + 9 * DAY)]
    assert found.spans(BREWING, "room", T0, T0 + 9 * DAY) == [(T0 + MIN, T0 + 9 * DAY)]
    assert found.holds(BREWING, "broker", T0 + DAY)
    assert found.next_change_ms(BREWING, "pail", T0 + HOUR) is None


def test_a_struck_brew_runs_no_more() -> None:
    """From when it was struck."""
    found = Contexts(LAB, [], [replace(brew(1, T0), struck_ms=T0 + HOUR)])
    assert found.spans(BREWING, "kettle", T0 - DAY, T0 + DAY) == [(T0, T0 + HOUR)]


def test_a_brew_has_just_started_for_a_while_after_its_start() -> None:
    """Counted from the start that was noted, known from the note on; a late note or a strike shortens it; elsewhere
    than at a brewer any brew counts."""
    started = parse_condition("brew started within 5 min")
    now = Contexts(LAB, brews=[brew(1, T0)])
    assert now.spans(started, "kettle", T0 - DAY, T0 + DAY) == [(T0, T0 + 5 * MIN)]
    assert now.spans(started, "pail", T0 - DAY, T0 + DAY) == []
    assert now.spans(started, "room", T0 - DAY, T0 + DAY) == [(T0, T0 + 5 * MIN)]
    late = Contexts(LAB, brews=[brew(1, T0, noted_ms=2 * MIN), brew(2, T0 + HOUR, noted_ms=6 * MIN)])
    assert late.spans(started, "kettle", T0 - DAY, T0 + DAY) == [(T0 + 2 * MIN, T0 + 5 * MIN)]
    struck = Contexts(LAB, brews=[replace(brew(1, T0), struck_ms=T0 + MIN)])
    assert struck.spans(started, "kettle", T0 - DAY, T0 + DAY) == [(T0, T0 + MIN)]


def test_the_brew_of_a_brewer_is_the_newest_as_it_was_known() -> None:
    """An end noted later was not known before; a struck brew gives way to the one before it."""
    first, second = brew(1, T0, T0 + HOUR, noted_ms=HOUR), brew(2, T0 + DAY)
    struck = replace(second, struck_ms=T0 + 2 * DAY)
    found = Contexts(LAB, [], [struck, first, brew(3, T0 + DAY, place="pail")])
    assert found.brew("kettle", T0 + HOUR - 1) is None
    known = found.brew("kettle", T0 + HOUR)
    assert known is not None
    assert known.running
    assert found.brew("kettle", T0 + 2 * HOUR) == first
    assert found.brew("kettle", T0 + DAY) == struck
    assert found.brew("kettle", T0 + 2 * DAY) == first


# The lab's hours ----------------------------------------------------------------------------------------------------


def test_the_lab_is_open_in_its_hours() -> None:
    """Monday from eight to four; it is the same at every place."""
    found = Contexts(LAB)
    assert found.holds(OPEN, "juniper/top", T0)
    assert not found.holds(OPEN, "room", T0 + 8 * HOUR)
    assert found.next_change_ms(OPEN, "room", T0) == T0 + 8 * HOUR
    assert found.spans(OPEN, "room", T0 - DAY, T0 + DAY) == [(T0, T0 + 8 * HOUR)]


def test_on_a_holiday_the_lab_is_not_open() -> None:
    """The week of T0 is off: closed until the Monday after."""
    found = Contexts(read_lab("lab: {name: a, time_zone: UTC, hours: {mon-fri: 08:00-16:00}, holidays: [2026-03-02 to "
                              "2026-03-06]}"))  # fmt: skip
    assert not found.holds(OPEN, "room", T0)
    assert found.next_change_ms(OPEN, "room", T0) == T0 + 7 * DAY
    assert found.spans(OPEN, "room", T0 - DAY, T0 + 8 * DAY) == [(T0 + 7 * DAY, T0 + 7 * DAY + 8 * HOUR)]


def test_a_lab_without_hours_is_never_open() -> None:
    """Nor will it be."""
    found = Contexts(CLOSED)
    assert not found.holds(OPEN, "room", T0)
    assert found.next_change_ms(OPEN, "room", T0) is None
    assert found.spans(OPEN, "room", T0, T0 + DAY) == []


# What was done last -------------------------------------------------------------------------------------------------


def test_the_last_entry_is_the_newest_that_counted_then() -> None:
    """By when it was done; noted later it is not known yet, struck it is no more; of two at once the later noted."""
    entries = [
        entry(1, T0),
        entry(2, T0 + HOUR, taken_ms=T0 + 2 * HOUR),
        entry(3, T0 + 3 * HOUR, struck_ms=T0 + 4 * HOUR),
        entry(4, T0 + 5 * HOUR, DiaryKind.FED),
        entry(5, T0 + 6 * HOUR, place="juniper-2/top"),
        entry(6, T0 + HOUR, taken_ms=T0 + 7 * HOUR),
    ]
    found = Contexts(LAB, reversed(entries))
    last = {h: found.last(DiaryKind.WATERED, "juniper/top", T0 + h * HOUR) for h in (-1, 1, 2, 3, 4, 6, 7)}
    assert {h: None if e is None else e.id for h, e in last.items()} == {-1: None, 1: 1, 2: 2, 3: 3, 4: 2, 6: 2, 7: 6}
    assert found.last("fed", "juniper", T0 + DAY) == entries[3]


def test_a_squeeze_test_is_found_with_its_result() -> None:
    """The category that was felt, for rules that compare a probe with a hand."""
    felt = replace(entry(1, T0, DiaryKind.SQUEEZE), result=Feel.WET)
    assert Contexts(LAB, [felt]).last("squeeze", "juniper/top", T0 + HOUR) == felt
    assert Contexts(LAB, [felt]).last("squeeze", "juniper/middle", T0 + HOUR) is None


def test_changes_are_when_answers_may_change() -> None:
    """Taken up, struck, ended: each of its own place, once, in order."""
    entries = [entry(1, T0, struck_ms=T0 + DAY), entry(2, T0 - HOUR, place="juniper"), entry(3, T0, DiaryKind.FED)]
    brews = [
        replace(brew(1, T0, T0 + HOUR), struck_ms=T0 + 2 * HOUR),
        brew(2, T0 + 3 * HOUR),
        brew(3, T0, place="pail"),
    ]
    found = Contexts(LAB, entries, brews)
    assert found.changes("juniper/top") == (T0 - HOUR, T0, T0 + DAY)
    assert found.changes("juniper/middle") == (T0 - HOUR,)
    assert found.changes("kettle") == (T0, T0 + HOUR, T0 + 2 * HOUR, T0 + 3 * HOUR)


# Holds, changes and spans agree -------------------------------------------------------------------------------------

_MINUTES = st.integers(0, 300)
_KINDS = st.sampled_from([DiaryKind.WATERED, DiaryKind.OUT_OF_SERVICE, DiaryKind.IN_SERVICE])
_ENTRIES = st.lists(
    st.tuples(
        _MINUTES, _MINUTES, st.none() | _MINUTES, _KINDS, st.sampled_from(["juniper", "juniper/top", "juniper/middle"])
    ),
    max_size=6,
)


def _entries(drawn: list[tuple[int, int, int | None, DiaryKind, str]]) -> list[DiaryEntry]:
    return [
        entry(
            number,
            T0 + t * MIN,
            kind,
            place,
            taken_ms=T0 + (t + later) * MIN,
            struck_ms=None if struck is None else T0 + (t + later + struck) * MIN,
        )
        for number, (t, later, struck, kind, place) in enumerate(drawn)
    ]


@settings(max_examples=50)
@given(_ENTRIES, st.sampled_from([WATERED, IN_SERVICE, BREWING]), st.lists(_MINUTES, max_size=3), _MINUTES)
def test_between_changes_nothing_changes(
    drawn: list[tuple[int, int, int | None, DiaryKind, str]], condition: Condition, starts: list[int], at: int
) -> None:
    """`holds` flips exactly where `next_change_ms` says, and `spans` are the times at which it holds."""
    brews = [brew(n, T0 + start * MIN, T0 + (start + 50) * MIN, noted_ms=n * MIN) for n, start in enumerate(starts)]
    found = Contexts(LAB, _entries(drawn), brews)
    place = "kettle" if condition is BREWING else "juniper/top"
    t_ms = T0 + at * MIN
    held = found.holds(condition, place, t_ms)
    change = found.next_change_ms(condition, place, t_ms)
    until = T0 + 2_000 * MIN if change is None else change
    assert all(found.holds(condition, place, t) is held for t in range(t_ms, until, 7 * MIN))
    if change is not None:
        assert change > t_ms
        assert found.holds(condition, place, change) is not held
    spans = found.spans(condition, place, t_ms, until)
    assert spans == ([(t_ms, until)] if held else [])


@settings(max_examples=50)
@given(_ENTRIES, _ENTRIES, _MINUTES)
def test_what_is_noted_later_changes_no_earlier_answer(
    drawn: list[tuple[int, int, int | None, DiaryKind, str]],
    more: list[tuple[int, int, int | None, DiaryKind, str]],
    at: int,
) -> None:
    """Live, with what was known then, and in a replay, with all that has been noted since, the answers are the same."""
    everything = _entries(drawn + more)
    t_ms = T0 + at * MIN
    known = [
        replace(e, struck_ms=None if e.struck_ms is None or e.struck_ms > t_ms else e.struck_ms)
        for e in everything
        if e.taken_ms <= t_ms
    ]
    live, replayed = Contexts(LAB, known), Contexts(LAB, everything)
    for condition in (WATERED, IN_SERVICE):
        assert live.holds(condition, "juniper/top", t_ms) is replayed.holds(condition, "juniper/top", t_ms)
    one, other = (found.last(DiaryKind.WATERED, "juniper/top", t_ms) for found in (live, replayed))
    assert (one and one.id) == (other and other.id)
