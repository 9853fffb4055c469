"""The lifecycle table, walked whole, and a collector's life at random against a plain model of it."""

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from collector.alarms.lifecycle import LETTER, TABLE, after
from collector.alarms.model import STANDING, Event, State
from tests.alarms.bench_lab import HOT, MIN, Run
from tests.alarms.bench_lab import rule as alarm_rule

# Rows: state letter. Columns: what follows each of EVENTS; '.' stays; 'AB' is A where the condition is clear, B where
# it is active. Transitions of ANSI/ISA-18.2-2016, from memory: A->B, B->C, B->D, C->A, D->A, D->B, C->B (re-alarm; OPC
# UA Part 9 B.1.5), any->E/F/G, and E/F/G left by the present condition. A latched alarm (condition gone, from B or C)
# stays until it is reset; a reset while the condition is there changes nothing.
EXPECTED = """
A: B . . . E .  F .  G .  . .  A
B: . D C . E .  F .  G .  . AB A
C: . A . B E .  F .  G .  . AC A
D: B . A . E .  F .  G .  . .  A
E: . . . . E AB F .  G .  . .  A
F: . . . . E .  F AB G .  . .  A
G: . . . . E .  F .  G AB . .  A
"""
EVENTS = (
    Event.RAISED,
    Event.CLEARED,
    Event.ACKNOWLEDGED,
    Event.RE_ALARMED,
    Event.SHELVED,
    Event.UNSHELVED,
    Event.SUPPRESSED,
    Event.UNSUPPRESSED,
    Event.TAKEN_OUT,
    Event.PUT_BACK,
    Event.LATCHED,
    Event.RESET,
    Event.RULE_REMOVED,
)
STATE = {letter: state for state, letter in LETTER.items()}


def expected() -> list[tuple[State, Event, bool, State]]:
    cases = []
    for line in EXPECTED.strip().splitlines():
        letter, cells = line.split(":")
        for event, cell in zip(EVENTS, cells.split(), strict=True):
            for active in (False, True):
                follows = letter if cell == "." else cell[active] if len(cell) == 2 else cell
                cases.append((STATE[letter], event, active, STATE[follows]))
    return cases


@pytest.mark.parametrize(("state", "event", "active", "follows"), expected())
def test_every_state_meets_every_event(state: State, event: Event, active: bool, follows: State) -> None:
    """The state that follows is the standard's, for all seven states and all events."""
    assert after(state, event, active) is follows


def test_the_table_is_total() -> None:
    """No state and event is left to chance, and the table above leaves none out either."""
    assert set(TABLE) == {(state, event) for state in State for event in Event}
    assert {(state, event) for state, event, _, _ in expected()} == set(TABLE)


class Life(RuleBasedStateMachine):
    """One alarm with deadband and delays through readings, waits, acknowledgements, doubt and restarts."""

    def __init__(self) -> None:
        super().__init__()
        self.run = Run((alarm_rule(HOT, on_delay_ms=2 * MIN, off_delay_ms=3 * MIN),))
        self.now = 0
        self.state = State.NORMAL
        self.active = False
        self.calm_since: int | None = None
        self.hot_since: int | None = None

    def model_time(self, strict: bool) -> None:
        """Timers of the model: end what ended before (strict) or by now."""
        if self.hot_since is not None and (self.now > self.hot_since + 2 * MIN - (not strict)):
            self.active, self.hot_since = True, None
            self.state = State.UNACKNOWLEDGED
        if self.calm_since is not None and (self.now > self.calm_since + 3 * MIN - (not strict)):
            self.active, self.calm_since = False, None
            self.state = State.RETURNED if self.state is State.UNACKNOWLEDGED else State.NORMAL

    @rule(minutes=st.integers(1, 5), value=st.sampled_from([28.0, 29.5, 31.0]), flag=st.sampled_from([1, 1, 3, 4]))
    def reading(self, minutes: int, value: float, flag: int) -> None:
        self.now += minutes * MIN
        self.model_time(strict=True)
        if flag != 4:
            self.model_reading(value, flag)
        self.model_time(strict=False)
        self.run.read([self.now], [value], [flag])

    def model_reading(self, value: float, flag: int) -> None:
        if self.active:
            if value >= 29.0:
                self.calm_since = None
            elif flag == 1 and self.calm_since is None:
                self.calm_since = self.now
        elif value > 30.0:
            self.hot_since = self.now if self.hot_since is None else self.hot_since
        elif flag == 1:
            self.hot_since = None

    @rule(minutes=st.integers(0, 5))
    def wait(self, minutes: int) -> None:
        self.now += minutes * MIN
        self.model_time(strict=False)
        self.run.tick(self.now)

    @rule()
    def acknowledge(self) -> None:
        follows = {State.UNACKNOWLEDGED: State.ACKNOWLEDGED, State.RETURNED: State.NORMAL}.get(self.state)
        problem = self.run.acknowledge("bedding-hot", self.now)
        assert (problem is None) == (follows is not None)
        self.state = follows or self.state

    @rule()
    def restart(self) -> None:
        self.run.restart()

    @rule(back=st.integers(0, 30 * MIN), value=st.sampled_from([20.0, 40.0]))
    @precondition(lambda self: self.run.newest)
    def late_reading(self, back: int, value: float) -> None:
        told = len(self.run.told)
        self.run.read([self.run.engine.clock_ms(1) - back], [value])
        assert len(self.run.told) == told

    @invariant()
    def state_is_as_the_model_says(self) -> None:
        (state,) = self.run.engine.states().values()
        assert (state.state, state.active) == (self.state, self.active)

    @invariant()
    def state_and_condition_agree(self) -> None:
        (state,) = self.run.engine.states().values()
        assert (state.state in STANDING) == state.active
        assert (state.since_ms is not None) == (state.active or state.deadline_ms is not None)

    @invariant()
    def history_joins_up(self) -> None:
        """Each transition starts in the state the one before ended in, and times do not fall back."""
        state = State.NORMAL
        for one in self.run.told:
            assert one.before is state
            state = one.after
        changes = [one.t_ms for one in self.run.told if one.event is not Event.ACKNOWLEDGED]
        assert changes == sorted(changes)


test_a_life_at_random = Life.TestCase
test_a_life_at_random.settings = settings(max_examples=30, stateful_step_count=40, deadline=None)
