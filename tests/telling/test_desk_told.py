"""Who hears of what: calls and their ends, and nothing that somebody did to an alarm."""

from dataclasses import replace

import pytest

from collector.alarms.model import STANDING, Event, State
from collector.domain.lab import Person
from collector.telling.desk_case import is_told
from collector.telling.desk_plans import plan_key
from collector.telling.notice import Notice, NoticeKey, Reason
from tests.letters.examples import CLEARED, RAISED


@pytest.mark.parametrize(
    ("event", "before", "after", "told"),
    [
        (Event.RAISED, State.NORMAL, State.UNACKNOWLEDGED, True),
        (Event.RAISED, State.RETURNED, State.UNACKNOWLEDGED, True),
        (Event.RE_ALARMED, State.ACKNOWLEDGED, State.UNACKNOWLEDGED, True),
        (Event.UNSHELVED, State.SHELVED, State.UNACKNOWLEDGED, True),
        (Event.UNSUPPRESSED, State.SUPPRESSED, State.UNACKNOWLEDGED, True),
        (Event.PUT_BACK, State.OUT_OF_SERVICE, State.UNACKNOWLEDGED, True),
        (Event.CLEARED, State.UNACKNOWLEDGED, State.RETURNED, True),
        (Event.CLEARED, State.ACKNOWLEDGED, State.NORMAL, True),
        (Event.LATCHED, State.ACKNOWLEDGED, State.ACKNOWLEDGED, True),
        (Event.RULE_REMOVED, State.UNACKNOWLEDGED, State.NORMAL, True),
        (Event.RULE_REMOVED, State.RETURNED, State.NORMAL, False),
        (Event.RAISED, State.SHELVED, State.SHELVED, False),
        (Event.CLEARED, State.SUPPRESSED, State.SUPPRESSED, False),
        (Event.UNSHELVED, State.SHELVED, State.NORMAL, False),
        (Event.ACKNOWLEDGED, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, False),
        (Event.SHELVED, State.UNACKNOWLEDGED, State.SHELVED, False),
        (Event.RESET, State.UNACKNOWLEDGED, State.NORMAL, False),
        (Event.RAISED, State.UNACKNOWLEDGED, State.UNACKNOWLEDGED, False),
    ],
)
def test_what_is_told(event: Event, before: State, after: State, told: bool) -> None:
    """People are called, and hear the end of what they were called for."""
    assert is_told(replace(RAISED, event=event, before=before, after=after)) is told


def test_the_end_of_what_stood_is_always_told() -> None:
    """For each standing state."""
    assert all(is_told(replace(CLEARED, before=state)) for state in STANDING)


def test_the_key_of_a_message_stays_over_versions() -> None:
    """Word for word as an earlier version made it: another would tell the same twice after an upgrade."""
    hot, dry = (
        NoticeKey(
            role="teacher",
            rule=rule,
            series=series,
            occurrence_ms=ms,
            event=Event.RAISED.value,
            why=Reason.NEWS.value,
            t_ms=ms,
        )
        for rule, series, ms in (("bedding-hot", 3, 1000), ("bedding-dry", 4, 2000))
    )
    teacher = Person(role="teacher")
    made = [
        Notice(key=key, transition=RAISED, place="juniper/top", priority="high", made_ms=0, due_ms=0)
        for key in (hot, dry)
    ]
    assert plan_key(teacher, made) == "alarms-9f527be280b5ee2acae5444e"
