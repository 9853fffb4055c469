"""What differs between two rule sets, and what becomes of the alarms that stand."""

from dataclasses import dataclass, fields

import pytest

from collector.alarms.changes import difference, retire, signatures
from collector.alarms.model import AlarmKey, AlarmState, Event, Kind, Priority, Rule, State
from tests.alarms.bench_lab import BROKER, HOT, SILENT, UP, quillbrook, rule

COLD = rule(HOT, name="bedding-cold", kind=Kind.LOW, setpoint=4.0)


def test_names_of_what_was_added_removed_and_changed() -> None:
    """Each name once, in the order of the rules, and in words for the log and the journal."""
    change = difference(signatures([HOT, SILENT]), signatures([rule(HOT, setpoint=29.0), COLD, BROKER]))
    assert (change.added, change.removed, change.changed) == (
        ("bedding-cold", "broker-lost"),
        ("probe-silent",),
        ("bedding-hot",),
    )
    assert str(change) == "added bedding-cold, broker-lost; removed probe-silent; changed bedding-hot"
    assert change
    assert change.replaced == ()


def test_the_same_rules_elsewhere_in_a_file_are_no_change() -> None:
    """Comments and other alarms above move an alarm; nothing about it has changed. Nor does the order matter."""
    moved = [rule(SILENT, source="rules/other.yaml:99"), rule(HOT, source="")]
    change = difference(signatures([HOT, SILENT]), signatures(moved))
    assert not change
    assert str(change) == ""


@pytest.mark.parametrize(
    "changes",
    [
        {"setpoint": 30.5},
        {"deadband": 0.0},
        {"where": ("room",)},
        {"off_delay_ms": 1},
        {"priority": Priority.LOW},
        {"consequence": "other words"},
        {"basis": "other words"},
    ],
)
def test_every_field_counts(changes: dict[str, object]) -> None:
    """What it does and what it says to people; the states stay, since it watches the same thing."""
    change = difference(signatures([HOT]), signatures([rule(HOT, **changes)]))
    assert (change.changed, change.replaced) == (("bedding-hot",), ())


@pytest.mark.parametrize("changes", [{"kind": Kind.LOW}, {"measure": "air_temperature"}])
def test_an_alarm_that_watches_something_else_is_another_one(changes: dict[str, object]) -> None:
    """The name alone does not make it the same alarm."""
    change = difference(signatures([HOT]), signatures([rule(HOT, **changes)]))
    assert (change.changed, change.replaced) == (("bedding-hot",), ("bedding-hot",))


@dataclass(frozen=True, slots=True)
class LaterRule(Rule):
    """A rule as a later version may know it."""

    colour: str = ""


def test_a_signature_outlives_new_fields() -> None:
    """One more field, left at its default, is no change; set to something it is one."""
    said = {one.name: getattr(HOT, one.name) for one in fields(HOT)}
    assert signatures([LaterRule(**said)]) == signatures([HOT])
    assert signatures([LaterRule(**said, colour="grey")]) != signatures([HOT])


def test_what_stood_under_a_replaced_alarm_is_closed() -> None:
    """Its own states and no others: one change to record, and a state from which the new alarm starts."""
    hot, quiet = AlarmKey("bedding-hot", 1), AlarmKey("probe-silent", 1)
    states = {
        hot: AlarmState(
            key=hot,
            state=State.ACKNOWLEDGED,
            active=True,
            deadline_ms=None,
            since_ms=10,
            raised_ms=20,
            changed_ms=30,
            worst=33.0,
        ),
        quiet: AlarmState(
            key=quiet,
            state=State.UNACKNOWLEDGED,
            active=True,
            deadline_ms=None,
            since_ms=10,
            raised_ms=20,
            changed_ms=30,
        ),
    }
    (closed,), fresh = retire(states, ["bedding-hot"], quillbrook(), UP, 50)
    assert (closed.key, closed.event, closed.before, closed.after, closed.t_ms) == (
        hot,
        Event.RULE_REMOVED,
        State.ACKNOWLEDGED,
        State.NORMAL,
        50,
    )
    assert fresh == {hot: AlarmState(key=hot, raised_ms=20, changed_ms=30)}
    assert retire(states, [], quillbrook(), UP, 50) == ([], {})
