"""A broker that was killed begins again from the file it last saved: which messages without a time are known again.

The broker here does what Mosquitto was seen to do: it numbers a message as it takes it, keeps in its file what nobody
has acknowledged and whether it was sent, and after a kill hands over what stands there, marked only where it was sent.
"""

from dataclasses import dataclass, field, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.intake.small_lab import NOW, Room

_TOPIC, _SERIES = "worms/room/air", "room-air.temperature"


@dataclass(frozen=True, slots=True)
class _Message:
    mid: int
    payload: str
    sent: bool = False


@dataclass(slots=True)
class _File:
    waiting: tuple[_Message, ...] = ()
    last_mid: int = 0


@dataclass(slots=True)
class _Lab:
    """A broker, and the collector's intake at the other end."""

    same: bool
    """Whether all readings say the same value."""
    room: Room = field(default_factory=Room)
    held: _File = field(default_factory=_File)
    saved: _File = field(default_factory=_File)
    linked: bool = True
    published: int = 0

    def do(self, what: str) -> None:
        match what:
            case "publish":
                self._publish()
            case "stored":
                if self.linked:
                    self.held.waiting = ()
            case "save":
                self.saved = replace(self.held)
            case "away":
                self.linked = False
            case "back":
                self._back()
            case "kill":
                self.held, self.linked = replace(self.saved), False
                self._back()

    def _publish(self) -> None:
        self.published += 1
        value = "19.5" if self.same else str(10 + self.published / 64)
        self.held.last_mid += 1
        message = _Message(self.held.last_mid, value)
        if self.linked:
            message = self._hand_over(message)
        self.held.waiting = (*self.held.waiting, message)

    def _back(self) -> None:
        if self.linked:
            return
        self.linked = self.room.intake.catching_up = True
        self.held.waiting = tuple(self._hand_over(one) for one in self.held.waiting)
        self.room.intake.catching_up = False

    def _hand_over(self, message: _Message) -> _Message:
        self.room.say(_TOPIC, message.payload, NOW, mid=message.mid, again=message.sent)
        return replace(message, sent=True)

    def stored(self) -> list[float]:
        return self.room.values().get(_SERIES, [])


_STORY = ("publish", "publish", "stored", "save")


@given(st.lists(st.sampled_from((*_STORY, "away", "back", "kill")), max_size=60))
@settings(max_examples=160, deadline=None)
def test_no_reading_is_stored_twice_however_often_the_broker_is_killed(story: list[str]) -> None:
    """Whatever waited, was sent or was saved at the time: each reading of its own value stands once at most, and all
    that was published while linked stands there."""
    lab, must = _Lab(same=False), set[float]()
    for what in story:
        lab.do(what)
        if what == "publish" and lab.linked:
            must.add(10 + lab.published / 64)
    stored = lab.stored()
    assert len(stored) == len(set(stored))
    assert must <= set(stored)


@given(st.lists(st.sampled_from((*_STORY, "away", "back")), max_size=60))
@settings(max_examples=80, deadline=None)
def test_the_same_value_again_is_a_reading_over_every_ordinary_break(story: list[str]) -> None:
    """A probe that says 19.5 all day, over breaks of the link with and without something waiting: each is stored."""
    lab = _Lab(same=True)
    for what in (*story, "back"):
        lab.do(what)
    assert len(lab.stored()) == lab.published


@given(st.lists(st.sampled_from((*_STORY, "kill")), max_size=60))
@settings(max_examples=80, deadline=None)
def test_the_same_value_again_is_a_reading_over_kills_in_ordinary_running(story: list[str]) -> None:
    """While the collector is linked it gets all at once; what a killed broker sends again is marked, and nothing new is
    taken for it, though it comes under the same packet ids with the same value."""
    lab = _Lab(same=True)
    for what in story:
        lab.do(what)
    assert len(lab.stored()) == lab.published


def test_what_waited_and_was_saved_is_known_over_three_kills() -> None:
    """Two hundred readings without a time waited at the broker, in its file: each kill hands them over unmarked."""
    lab = _Lab(same=False)
    for what in ("away", *["publish"] * 200, "save", "back", "stored", "kill", "kill", "kill"):
        lab.do(what)
    assert len(lab.stored()) == 200
    assert lab.room.intake.counts == {"redelivered": 600}


def test_what_cannot_be_told_apart_is_one_equal_value() -> None:
    """Something waited, the broker is killed before it saved that, and another reading of the same value waits under
    the same packet id: it is taken for the first one. Any other value is not."""
    for same, stored in ((True, 1), (False, 2)):
        lab = _Lab(same=same)
        for what in ("save", "away", "publish", "back", "stored"):
            lab.do(what)
        lab.held, lab.linked = replace(lab.saved), False
        for what in ("publish", "back"):
            lab.do(what)
        assert len(lab.stored()) == stored


@pytest.mark.parametrize("again", [True, False])
def test_a_restart_of_the_collector_forgets_none_of_it(again: bool) -> None:
    """What had waited is known again from the journal, marked or not."""
    first = Room()
    first.intake.catching_up = True
    first.say(_TOPIC, "19.5", mid=7)
    second = Room(arrivals=dict(first.intake.new_arrivals))
    second.intake.catching_up = True
    second.say(_TOPIC, "19.5", NOW + 60_000, mid=7, again=again)
    assert second.take() == {}
