"""One series in the engine: its clock, what is known of it, and its alarms in the order of the rules."""

from collector.alarms.chunk import Large, Mask, Readings, Small
from collector.alarms.kinds.derived import Derived
from collector.alarms.kinds.first_cause import Tree
from collector.alarms.kinds.reference import Reference, Watched
from collector.alarms.kinds.silence import NEVER, Silence
from collector.alarms.kinds.threshold import Threshold
from collector.alarms.model import Newest
from collector.alarms.start import BEFORE_ALL


class Track(Watched):
    """`clock_ms`: the newer of the newest judged reading and the last timer that was let end."""

    __slots__ = (
        "alarms",
        "clock_ms",
        "compared",
        "derived",
        "flip_ms",
        "last_value",
        "place",
        "reference",
        "silences",
    )

    def __init__(self, place: str, newest: Newest | None) -> None:
        super().__init__(BEFORE_ALL if newest is None else newest.t_ms)
        self.place = place
        self.clock_ms = self.judged_ms
        self.last_value = None if newest is None else newest.usable_value
        self.alarms: list[Threshold] = []
        self.derived: list[Derived] = []
        self.silences: list[tuple[Silence, Tree]] = []
        self.reference: Reference | None = None
        """Where others are held against this series."""
        self.compared: list[Reference] = []
        """Those that this series is held against."""
        self.flip_ms = NEVER
        """When a context next changes for one of its alarms."""

    @property
    def alone(self) -> bool:
        """Whether it has nothing to do with comparisons between series."""
        return self.reference is None and not self.compared

    def unseen(self, readings: Readings) -> Mask | None:
        """Which readings take no part in comparisons; None where there are none to take part in."""
        if readings.unseen is not None or self.alone:
            return readings.unseen
        reference = self.reference
        mask: Mask = readings.t_ms < BEFORE_ALL if reference is None else reference.passed(readings.t_ms)
        for other in self.compared:
            mask = mask | other.forgotten(readings.t_ms)
        return mask

    def move(self, t_ms: int) -> None:
        """Move the clock on, and let happen what was due up to then."""
        if t_ms > self.clock_ms:
            self.clock_ms = t_ms
            self.pass_until(t_ms)

    def pass_until(self, t_ms: int) -> None:
        """Let happen what is due up to then on the time of the readings."""
        for alarm in (*self.alarms, *self.derived):
            alarm.pass_until(t_ms, self.last_value)
        self.set_flip()

    def set_flip(self) -> None:
        """Note when a context next changes for one of its alarms."""
        flips = (alarm.flip for alarm in (*self.alarms, *self.derived))
        self.flip_ms = min((flip for flip in flips if flip is not None), default=NEVER)


def heard_quietly(silence: Silence, chunk: Small | Large) -> None:
    """A series that is not on alert was heard."""
    heard_ms = chunk.last_heard_ms
    if silence.habit is not None and heard_ms is not None:
        silence.habit.note(chunk.heard_ms)
    above: Silence | None = silence
    while heard_ms is not None and above is not None:
        if heard_ms > above.heard_ms:
            above.heard_ms = heard_ms
        above = above.parent
