"""The life of one alarm: which state follows which event. One total table; nothing else decides a state.

States and transitions after ANSI/ISA-18.2-2016 / IEC 62682. The standard's letters stand in `LETTER`. Leaving shelved,
suppressed or out of service is decided by the condition as it is at that moment, which is why `after` asks for it.

Shelved, suppressed and out of service may hold at once. Then out of service comes before shelved, and shelved before
suppressed: an alarm that leaves one goes to the next that still holds (`holding`), never past it to people.

A latching alarm stays where it is when its condition goes (LATCHED) until a person resets it; acknowledging one whose
condition has gone is that reset. The standard's figure of 2009 gives latched alarms states of their own (from memory);
with seven states, B or C without the condition is a latched alarm.
"""

from collections.abc import Mapping
from types import MappingProxyType

from collector.alarms.model import Event, State

LETTER: Mapping[State, str] = MappingProxyType(
    {
        State.NORMAL: "A",
        State.UNACKNOWLEDGED: "B",
        State.ACKNOWLEDGED: "C",
        State.RETURNED: "D",
        State.SHELVED: "E",
        State.SUPPRESSED: "F",
        State.OUT_OF_SERVICE: "G",
    }
)
"""State letters of the standard's state figure (order from memory)."""

Ways = dict[Event, tuple[State, State]]
"""Event -> the state that follows where the condition is (clear, active)."""


def _always(state: State) -> tuple[State, State]:
    return state, state


_PRESENT_CONDITION = (State.NORMAL, State.UNACKNOWLEDGED)

_FROM_ANYWHERE: Ways = {
    Event.SHELVED: _always(State.SHELVED),
    Event.SUPPRESSED: _always(State.SUPPRESSED),
    Event.TAKEN_OUT: _always(State.OUT_OF_SERVICE),
    Event.RULE_REMOVED: _always(State.NORMAL),
}
_CHANGES: dict[State, Ways] = {
    State.NORMAL: {Event.RAISED: _always(State.UNACKNOWLEDGED)},
    State.UNACKNOWLEDGED: {
        Event.ACKNOWLEDGED: _always(State.ACKNOWLEDGED),
        Event.CLEARED: _always(State.RETURNED),
        Event.RESET: (State.NORMAL, State.UNACKNOWLEDGED),
    },
    State.ACKNOWLEDGED: {
        Event.CLEARED: _always(State.NORMAL),
        Event.RE_ALARMED: _always(State.UNACKNOWLEDGED),
        Event.RESET: (State.NORMAL, State.ACKNOWLEDGED),
    },
    State.RETURNED: {
        Event.ACKNOWLEDGED: _always(State.NORMAL),
        Event.RAISED: _always(State.UNACKNOWLEDGED),
    },
    State.SHELVED: {Event.UNSHELVED: _PRESENT_CONDITION},
    State.SUPPRESSED: {Event.UNSUPPRESSED: _PRESENT_CONDITION},
    State.OUT_OF_SERVICE: {Event.PUT_BACK: _PRESENT_CONDITION},
}


def _total() -> dict[tuple[State, Event], tuple[State, State]]:
    """Every state with every event; an event that means nothing in a state leaves it."""
    return {
        (state, event): (_FROM_ANYWHERE | _CHANGES[state]).get(event, _always(state))
        for state in State
        for event in Event
    }


TABLE: Mapping[tuple[State, Event], tuple[State, State]] = MappingProxyType(_total())
"""(state, event) -> what follows where the condition is (clear, active). Total over both."""


def after(state: State, event: Event, active: bool) -> State:
    """The state that follows. `active`: whether the condition is present once the event has happened."""
    return TABLE[state, event][active]


_HELD = {Event.TAKEN_OUT: State.OUT_OF_SERVICE, Event.SHELVED: State.SHELVED, Event.SUPPRESSED: State.SUPPRESSED}
_LEFT = {
    State.OUT_OF_SERVICE: Event.PUT_BACK,
    State.SHELVED: Event.UNSHELVED,
    State.SUPPRESSED: Event.UNSUPPRESSED,
}


def holding(state: State, out: bool, shelved: bool, suppressed: bool) -> Event | None:
    """The event that brings `state` to what holds the alarm now, or away from what no longer does; None where it is
    there already."""
    wanted = Event.TAKEN_OUT if out else Event.SHELVED if shelved else Event.SUPPRESSED if suppressed else None
    if wanted is None:
        return _LEFT.get(state)
    return None if _HELD[wanted] is state else wanted
