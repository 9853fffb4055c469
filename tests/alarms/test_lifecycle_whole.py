"""The whole lifecycle at random against a plain model: readings, time, people, contexts, restarts."""

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from collector.alarms.model import Event, State
from collector.domain.diary import DiaryKind
from tests.alarms.bench_lab import HOT, MIN
from tests.alarms.bench_lab import rule as alarm_rule
from tests.alarms.world import WATERED, World
from tests.alarms.world_lab import JT_TEMPERATURE, SERIES

AT = "juniper/top"
WATERED_MS = 10 * MIN
RE_ALARM_MS = 7 * MIN
MINUTES = st.integers(1, 6)


class Whole(RuleBasedStateMachine):
    """An alarm without delays, so that what is left to model is the lifecycle. The model keeps what holds the alarm and
    works out from that alone where it must be."""

    latching = False

    def __init__(self) -> None:
        super().__init__()
        of = alarm_rule(HOT, not_while=(WATERED,), re_alarm_ms=RE_ALARM_MS, latching=self.latching)
        self.world = World((of,), series=[one for one in SERIES if one.id == JT_TEMPERATURE])
        self.now = MIN
        self.state = State.NORMAL
        self.active = False
        self.out_by_order = self.out_by_diary = False
        self.shelved_until: int | None = None
        self.watered_until: int | None = None
        self.acked: int | None = None

    # The model

    def held(self) -> State | None:
        if self.out_by_order or self.out_by_diary:
            return State.OUT_OF_SERVICE
        if self.shelved_until is not None:
            return State.SHELVED
        return State.SUPPRESSED if self.watered_until is not None else None

    def settle(self) -> None:
        holds = self.held()
        if holds is not None:
            self.state, self.acked = holds, None
        elif self.state in (State.OUT_OF_SERVICE, State.SHELVED, State.SUPPRESSED):
            self.state = State.UNACKNOWLEDGED if self.active else State.NORMAL

    def pass_time(self, until: int) -> None:
        """What ends by itself up to then, in its order."""
        while True:
            again = None if self.acked is None or not self.active else self.acked + RE_ALARM_MS
            ends = [ms for ms in (self.shelved_until, self.watered_until, again) if ms is not None and ms <= until]
            if not ends:
                return
            soonest = min(ends)
            if soonest == self.watered_until:
                self.watered_until = None
            elif soonest == self.shelved_until:
                self.shelved_until = None
            else:
                self.state, self.acked = State.UNACKNOWLEDGED, None
            self.settle()

    def go_on(self, minutes: int) -> None:
        """Time passes, a millisecond past the minute each time, so that no two things fall on one moment."""
        self.now += minutes * MIN + 1
        self.pass_time(self.now)
        self.world.tick(self.now)

    # What happens

    @rule(minutes=MINUTES)
    def wait(self, minutes: int) -> None:
        self.go_on(minutes)

    @rule(minutes=MINUTES, value=st.sampled_from([20.0, 29.5, 31.0]), flag=st.sampled_from([1, 1, 3, 4]))
    def reading(self, minutes: int, value: float, flag: int) -> None:
        self.go_on(minutes)
        self.now += 1
        self.world.say(JT_TEMPERATURE, self.now, value, flag)
        if flag == 4:
            return
        if not self.active and value > 30:
            self.active = True
            if self.held() is None:
                self.state, self.acked = State.UNACKNOWLEDGED, None
        elif self.active and value < 29 and flag == 1:
            self.active = False
            if self.held() is None and not self.latching:
                gone = {State.UNACKNOWLEDGED: State.RETURNED, State.ACKNOWLEDGED: State.NORMAL}
                self.state, self.acked = gone.get(self.state, self.state), None

    @rule(back=st.integers(0, 30 * MIN), value=st.sampled_from([20.0, 40.0]))
    @precondition(lambda self: self.world.rows)
    def late_or_doubled_reading(self, back: int, value: float) -> None:
        told = len(self.world.told)
        self.world.say(JT_TEMPERATURE, self.world.engine.clock_ms(JT_TEMPERATURE) - back, value)
        assert len(self.world.told) == told

    @rule(back=st.integers(0, 30 * MIN))
    def time_going_back(self, back: int) -> None:
        told = len(self.world.told)
        self.world.tick(self.now - back)
        assert len(self.world.told) == told

    @rule()
    def acknowledge(self) -> None:
        told, problem = self.world.engine.acknowledge("bedding-hot", AT, "teacher", self.now)
        self.world.told += told
        latched = self.latching and not self.active and self.state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
        follows = {State.UNACKNOWLEDGED: State.ACKNOWLEDGED, State.RETURNED: State.NORMAL}.get(self.state)
        follows = State.NORMAL if latched else follows
        assert (problem is None) == (follows is not None)
        if follows is not None:
            self.state = follows
            self.acked = self.now if follows is State.ACKNOWLEDGED else None

    @rule(minutes=st.integers(1, 20))
    def shelve(self, minutes: int) -> None:
        until = self.now + minutes * MIN
        told, problem = self.world.engine.shelve("bedding-hot", AT, until, "known", "teacher", self.now)
        self.world.told += told
        assert (problem is not None) == (self.state is State.OUT_OF_SERVICE)
        if problem is None:
            self.shelved_until = until
            self.settle()

    @rule()
    def unshelve(self) -> None:
        told, problem = self.world.engine.unshelve("bedding-hot", AT, "teacher", self.now)
        self.world.told += told
        assert (problem is None) == (self.shelved_until is not None)
        self.shelved_until = None
        self.settle()

    @rule(back=st.booleans())
    def service_by_order(self, back: bool) -> None:
        told, problem = self.world.engine.set_service("jt", back, "maintainer", self.now)
        self.world.told += told
        assert (problem is None) == (self.out_by_order is back)
        self.out_by_order = not back
        self.settle()

    @rule(back=st.booleans())
    def service_by_diary(self, back: bool) -> None:
        self.go_on(1)
        taken = self.world.note(DiaryKind.IN_SERVICE if back else DiaryKind.OUT_OF_SERVICE, AT, self.now)
        assert taken == self.now
        self.world.tick(self.now)
        self.out_by_diary = not back
        self.settle()

    @rule()
    def water(self) -> None:
        self.go_on(1)
        assert self.world.note(DiaryKind.WATERED, AT, self.now) == self.now
        self.world.tick(self.now)
        self.watered_until = self.now + WATERED_MS
        self.settle()

    @rule()
    def restart(self) -> None:
        told = len(self.world.told)
        self.world.restart()
        assert len(self.world.told) == told

    # What must hold

    @invariant()
    def state_is_as_the_model_says(self) -> None:
        found = self.world.state("bedding-hot", JT_TEMPERATURE)
        assert (found.state, found.active) == (self.state, self.active)

    @invariant()
    def history_joins_up(self) -> None:
        """Each change starts in the state the one before ended in; people are called exactly when it says so."""
        state = State.NORMAL
        for one in self.world.told:
            if one.key.series == JT_TEMPERATURE:
                assert one.before is state
                state = one.after
                assert one.annunciates is (one.after is State.UNACKNOWLEDGED and one.before is not one.after)
        assert state is self.state

    @invariant()
    def nothing_is_raised_or_cleared_but_by_readings(self) -> None:
        """People, notes and time change where an alarm is, never its condition."""
        at = {row[0] for row in self.world.rows.get(JT_TEMPERATURE, ())}
        turns = (Event.RAISED, Event.CLEARED, Event.LATCHED)
        assert all(one.t_ms in at for one in self.world.told if one.event in turns)


class Latching(Whole):
    """The same of an alarm that latches."""

    latching = True


test_a_whole_life_at_random = Whole.TestCase
test_a_whole_life_at_random.settings = settings(max_examples=30, stateful_step_count=40, deadline=None)
test_a_latching_life_at_random = Latching.TestCase
test_a_latching_life_at_random.settings = settings(max_examples=20, stateful_step_count=40, deadline=None)
