"""Conditions `high` and `low`: a value beyond a setpoint, with deadband, on-delay and off-delay.

The comparisons (for `high`; `low` is its mirror image, made by turning the sign of everything):

    raises     usable   and x >  setpoint              strict: a value at the setpoint is no alarm
    resets     clean    and x <= setpoint              a running on-delay starts over
    clears     clean    and x <  setpoint - deadband   strict
    holds      usable   and x >= setpoint - deadband   a running off-delay starts over

"Usable" and "clean" are collector.domain.readings.USABLE and CLEAN: a doubtful reading may raise an alarm and may not
calm one. What cannot tell (failed, missing, not a number) touches nothing: a running on-delay keeps running. Only a
reading of a probe out of its bedding lets a running on-delay start over: what began it may have been the way out.

Kinds that compare something derived from the readings (`collector.alarms.kinds.derived`) build on this; there
"beyond" is above or below as the kind's direction says.
"""

from collector.alarms.chunk import Large, Small, first
from collector.alarms.kinds.alarm import Alarm, Seat

NOTHING = float("-inf")


class Threshold(Alarm):
    """`sign`: 1.0 where values above the setpoint alarm, -1.0 where those below do."""

    __slots__ = ("clear_at", "setpoint", "sign")

    def __init__(self, seat: Seat, sign: float) -> None:
        super().__init__(seat)
        self.sign = sign
        self.setpoint = sign * self.rule.setpoint
        self.clear_at = self.setpoint - self.rule.deadband

    def due(self) -> int | None:
        return self.deadline

    def fire(self, at_ms: int, value: float | None) -> None:
        if self.active:
            self.clear(at_ms, value)
        else:
            self.annunciate(at_ms, self.since, value)

    def untouched_by(self, chunk: Small | Large) -> bool:
        """Whether nothing in the chunk can change what this alarm does: asked first, and cheap."""
        if self.deadline is not None:
            return False
        if not self.active:
            return chunk.usable.signed_high(self.sign) <= self.setpoint
        if chunk.clean.signed_low(self.sign) < self.clear_at:
            return False
        self.worsen(chunk.usable.signed_high(self.sign))
        return True

    def judge(self, chunk: Small | Large, value: float | None) -> None:
        """Take in the readings. `value`: the last usable one before the chunk. A few are looked at one by one, of many
        only those that can matter next; what they do is decided in one place, `look` and `fire`."""
        if isinstance(chunk, Small):
            self._walk(chunk, value)
        else:
            _Scan(self, chunk, value).run()

    def _walk(self, chunk: Small, value: float | None) -> None:
        for t_ms, told, clean, out in chunk.rows:
            if self.deadline is not None and self.deadline < t_ms:
                self.fire(self.deadline, value)
            if told is not None:
                value = told
                self.look(t_ms, self.sign * told, clean)
            elif out:
                self.lift(t_ms)
            if self.deadline is not None and self.deadline <= t_ms:
                self.fire(self.deadline, value)

    def look(self, t_ms: int, x: float, clean: bool) -> None:
        """Take in one usable reading; `x` is its value times `sign`."""
        if self.active:
            self.worsen(x)
            if x >= self.clear_at:
                if self.deadline is not None:
                    self.stop_timer(t_ms)
            elif clean and self.deadline is None:
                self.start_timer(t_ms, self.rule.off_delay_ms)
        elif x > self.setpoint:
            if self.deadline is None:
                self._begin(t_ms, self.sign * x)
                self.start_timer(t_ms, self.rule.on_delay_ms)
            else:
                self.worsen(x)
        elif clean and self.deadline is not None:
            self._begin(None, None)
            self.stop_timer(t_ms)

    def lift(self, t_ms: int) -> None:
        """The probe is out of its bedding."""
        if not self.active and self.deadline is not None:
            self._begin(None, None)
            self.stop_timer(t_ms)

    def _begin(self, t_ms: int | None, worst: float | None) -> None:
        """The condition begins, or begins no more. A latched alarm goes on with what it has."""
        if not self.latched:
            self.since, self.worst = t_ms, worst

    def worsen(self, x: float) -> None:
        """Keep `x` (times `sign`; -inf where there was nothing usable) if it is the most extreme yet."""
        if x > (NOTHING if self.worst is None else self.sign * self.worst):
            self.worst = self.sign * x
            self.touch()


class _Scan:
    """A walk over a large chunk that looks only at the readings that can matter next.

    It stays linear: a reading found too late for a timer is searched for again only after it has been passed, for the
    way back to the same question leads over such a reading (what clears also resets, what raises also holds).
    """

    def __init__(self, alarm: Threshold, chunk: Large, value: float | None) -> None:
        self.alarm, self.chunk, self.value = alarm, chunk, value
        self.usable, clean = chunk.signed(alarm.sign)
        self.raises = self.usable > alarm.setpoint
        self.resets = clean <= alarm.setpoint
        if chunk.out is not None:
            self.resets |= chunk.out
        self.clears = clean < alarm.clear_at
        self.holds = self.usable >= alarm.clear_at
        self.position = 0

    def run(self) -> None:
        alarm, chunk = self.alarm, self.chunk
        while True:
            at = self._next()
            found = at < len(chunk.t_ms)
            deadline = alarm.deadline
            if found and (deadline is None or chunk.t_ms[at] <= deadline):
                self._look(at)
            elif deadline is not None and deadline <= chunk.last_ms:
                self._fire(deadline)
            else:
                break
        self._worsen(len(chunk.t_ms))

    def _next(self) -> int:
        """The next reading that can start the timer where none runs, or stop the one that does."""
        active, running = self.alarm.active, self.alarm.deadline is not None
        if running:
            return first(self.holds if active else self.resets, self.position)
        return first(self.clears if active else self.raises, self.position)

    def _look(self, at: int) -> None:
        alarm, t_ms, x = self.alarm, int(self.chunk.t_ms[at]), float(self.usable[at])
        if alarm.active:
            self._worsen(at)
        if self.chunk.told[at]:
            alarm.look(t_ms, x, bool(self.chunk.sure[at]))
        else:
            alarm.lift(t_ms)
        self.position = at + 1
        if alarm.deadline is not None and alarm.deadline <= t_ms:
            alarm.fire(alarm.deadline, alarm.sign * x)  # one of no delay, which a told reading has just begun

    def _fire(self, deadline: int) -> None:
        """The timer ended, and no reading up to then stopped it."""
        past = self.chunk.past(deadline)
        self._worsen(past)
        self.position = max(past, self.position)
        self.alarm.fire(deadline, self.chunk.told_before(past, self.value))

    def _worsen(self, end: int) -> None:
        """Take in the values passed over since the last look, where the condition was present."""
        if self.alarm.since is not None and end > self.position:
            self.alarm.worsen(float(self.usable[self.position : end].max()))
