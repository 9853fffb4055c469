"""Two runs side by side: every occurrence of either is told once, as what became of it."""

from hypothesis import given
from hypothesis import strategies as st

from collector.alarms.differences import Change, Occurrence, compare, occurrences
from collector.alarms.model import AlarmKey, Event, State, Transition

_DRY = AlarmKey("bedding-dry", 1)
_HOT = AlarmKey("bedding-hot", 2)


def _transition(key: AlarmKey, event: Event, t_ms: int, since_ms: int | None, worst: float | None = None) -> Transition:
    after = State.UNACKNOWLEDGED if event is Event.RAISED else State.NORMAL
    return Transition(
        key=key,
        event=event,
        before=State.NORMAL,
        after=after,
        t_ms=t_ms,
        since_ms=since_ms,
        raised_ms=t_ms,
        value=None,
        worst=worst,
    )


def _one(raised_ms: int, cleared_ms: int | None, since_ms: int | None = None, key: AlarmKey = _DRY) -> Occurrence:
    return Occurrence(
        key=key,
        since_ms=raised_ms if since_ms is None else since_ms,
        raised_ms=raised_ms,
        cleared_ms=cleared_ms,
        worst=None,
    )


def test_occurrences_are_annunciations_with_their_returns() -> None:
    """A return belongs to the annunciation before it; one that never came leaves the occurrence open; a return with
    nothing before it and an acknowledgement are none."""
    found = occurrences(
        [
            _transition(_HOT, Event.CLEARED, 5, None),
            _transition(_DRY, Event.RAISED, 20, 10, 59.0),
            _transition(_DRY, Event.ACKNOWLEDGED, 25, 10),
            _transition(_HOT, Event.RAISED, 30, None, 31.0),
            _transition(_DRY, Event.CLEARED, 40, 10, 55.0),
            _transition(_DRY, Event.RAISED, 60, 50, 58.0),
        ]
    )
    assert found == [
        Occurrence(key=_DRY, since_ms=10, raised_ms=20, cleared_ms=40, worst=55.0),
        Occurrence(key=_HOT, since_ms=30, raised_ms=30, cleared_ms=None, worst=31.0),
        Occurrence(key=_DRY, since_ms=50, raised_ms=60, cleared_ms=None, worst=58.0),
    ]


def test_what_was_suppressed_is_no_occurrence() -> None:
    """Nobody was told of it, live or replayed."""
    quiet = Transition(
        key=_DRY,
        event=Event.RAISED,
        before=State.SUPPRESSED,
        after=State.SUPPRESSED,
        t_ms=20,
        since_ms=10,
        raised_ms=20,
        value=59.0,
    )
    assert occurrences([quiet, _transition(_DRY, Event.CLEARED, 40, 10)]) == []


def test_what_becomes_of_each_occurrence() -> None:
    """Same, later, earlier, appearing and disappearing, with by how much, in the order people would have been told."""
    before = [_one(10, 20), _one(100, 150, 90), _one(200, 250, 190), _one(300, 310)]
    after = [_one(10, 20), _one(120, 150, 90), _one(195, 250, 190), _one(400, None), _one(5, 7, key=_HOT)]
    found = [(one.change, one.key, one.at_ms, one.shift_ms) for one in compare(before, after)]
    assert found == [
        (Change.APPEARS, _HOT, 5, 0),
        (Change.SAME, _DRY, 10, 0),
        (Change.LATER, _DRY, 100, 20),
        (Change.EARLIER, _DRY, 195, -5),
        (Change.DISAPPEARS, _DRY, 300, 0),
        (Change.APPEARS, _DRY, 400, 0),
    ]


def test_one_long_alarm_instead_of_three_short_ones() -> None:
    """A wider deadband joins chatter: the first of the three has become it, the other two disappear."""
    found = compare([_one(10, 20), _one(30, 40), _one(50, 60)], [_one(10, 60)])
    assert [one.change for one in found] == [Change.SAME, Change.DISAPPEARS, Change.DISAPPEARS]


_Run = list[tuple[int, int, AlarmKey]]
_RUNS = st.lists(st.tuples(st.integers(0, 60), st.integers(0, 9), st.sampled_from([_DRY, _HOT])), max_size=12)


@given(_RUNS, _RUNS)
def test_nothing_is_told_twice_or_left_out(one: _Run, other: _Run) -> None:
    """Every occurrence of either run stands in exactly one difference; a run compared with itself has none."""
    before = [_one(start * 10, start * 10 + length, key=key) for start, length, key in one]
    after = [_one(start * 10, start * 10 + length, key=key) for start, length, key in other]
    found = compare(before, after)
    assert sorted(map(repr, (d.before for d in found if d.before))) == sorted(map(repr, before))
    assert sorted(map(repr, (d.after for d in found if d.after))) == sorted(map(repr, after))
    assert {d.change for d in compare(before, before)} <= {Change.SAME}
