"""The sign of life: given while there is real progress and only then, by web address and by topic."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest

from collector.delivery.heartbeat import Pulse, call
from collector.store.watch_state import SignalTally
from tests.delivery.watcher import HANG, KEY, Watcher, watching
from tests.services.clock import FakeClock
from tests.services.free_port import free_port
from tests.services.log_lines import log_to
from tests.services.waiting import wait_until


@pytest.fixture
def watcher() -> Iterator[Watcher]:
    with watching() as running:
        yield running


@dataclass
class FakeVoice:
    """A connection to a broker that keeps what it is told."""

    up: bool = True
    said: list[dict[str, Any]] = field(default_factory=list)

    def tell(self, payload: bytes) -> None:
        self.said.append(json.loads(payload))


class Monotonic:
    """Seconds that pass when told to."""

    def __init__(self) -> None:
        self.now_s = 1_000.0

    def __call__(self) -> float:
        return self.now_s


def pulse(
    clock: FakeClock, lines: list[str], url: str | None = None, topic: str = "", passing: Monotonic | None = None
) -> Pulse:
    """A sign every five minutes."""
    return Pulse(url, topic, 300, clock, log_to(lines), passing or Monotonic())


def test_the_address_is_called_while_the_loop_turns(watcher: Watcher, clock: FakeClock, lines: list[str]) -> None:
    """Every five minutes; not before the first turn, and not while the journal cannot be written."""
    passing, voice = Monotonic(), FakeVoice()
    one = pulse(clock, lines, watcher.url, passing=passing)
    one.call_if_due()
    one.turned(False, voice)
    one.call_if_due()
    assert watcher.calls == 0
    counts = []
    for writable in (True, True, False, False, True):
        for _ in range(10):
            passing.now_s += 30
            one.turned(writable, voice)
            one.call_if_due()
        counts.append(watcher.calls)
    assert counts == [1, 2, 2, 2, 3]
    assert one.tallies() == (SignalTally(by="url", last_ms=clock(), failures=0, error=""),)
    assert (voice.said, lines) == ([], [])


def test_a_loop_that_no_longer_turns_is_silence(watcher: Watcher, clock: FakeClock, lines: list[str]) -> None:
    """A process that hangs is as good as none: nothing is sent a minute after its last turn."""
    passing = Monotonic()
    one = pulse(clock, lines, watcher.url, passing=passing)
    one.turned(True, FakeVoice())
    passing.now_s += 59
    one.call_if_due()
    assert watcher.calls == 1
    passing.now_s += 300
    one.call_if_due()
    assert watcher.calls == 1


def test_the_thread_calls_by_itself_until_it_is_closed(watcher: Watcher, clock: FakeClock, lines: list[str]) -> None:
    """So that a slow web server never holds up the collecting."""
    one = pulse(clock, lines, watcher.url)
    one.turned(True, FakeVoice())
    one.start()
    wait_until(lambda: watcher.calls, "a sign of life")
    one.close()
    wait_until(lambda: not one._thread.is_alive(), "the end of the thread")


def test_failures_are_counted_and_logged_once_without_the_key(
    watcher: Watcher, clock: FakeClock, lines: list[str]
) -> None:
    """Begin and end of the trouble are a line each, in which the address is its host alone."""
    watcher.answers = [500, 404, 404]
    passing = Monotonic()
    one = pulse(clock, lines, watcher.url, passing=passing)
    for _ in range(4):
        passing.now_s += 300
        one.turned(True, FakeVoice())
        one.call_if_due()
    assert lines == [
        "heartbeat url: 127.0.0.1 answered 500; tried again each time, people are not told",
        "heartbeat url: works again",
    ]
    (tally,) = one.tallies()
    assert (tally.failures, tally.error) == (3, "")


def test_each_trouble_of_a_call_is_one_line(watcher: Watcher) -> None:
    """Refused, nobody there, silence, something that is no web server: never a key, never an exception."""
    assert call(watcher.url) == ""
    watcher.answers = [410, HANG]
    assert call(watcher.url) == "127.0.0.1 answered 410"
    assert call(watcher.url, timeout_s=0.05) == "127.0.0.1 gave no answer in time"
    assert call(f"http://127.0.0.1:{free_port()}/{KEY}") == "127.0.0.1 cannot be reached"
    assert call("http://127.0.0.1:0x/") == "127.0.0.1 cannot be asked: its address is not one"


def test_the_topic_says_alive_every_so_often(clock: FakeClock, lines: list[str]) -> None:
    """At once, then every five minutes; with the time, and how long a listener must wait before worrying."""
    passing, voice = Monotonic(), FakeVoice()
    one = pulse(clock, lines, topic="traywarden/alive", passing=passing)
    one.start()  # no address: no thread
    one.call_if_due()
    for _ in range(20):
        one.turned(True, voice)
        passing.now_s += 30
    assert voice.said == [{"state": "alive", "at": "2025-03-03T16:20:00Z", "every_s": 300}] * 2
    one.told("")
    assert one.tallies() == (SignalTally(by="topic", last_ms=clock(), failures=0, error=""),)


def test_after_each_connection_it_says_alive_at_once(clock: FakeClock, lines: list[str]) -> None:
    """The broker may have spoken the last will meanwhile; it must not stand for a whole interval."""
    one, voice = pulse(clock, lines, topic="traywarden/alive"), FakeVoice()
    one.turned(True, voice)
    voice.up = False
    one.turned(True, voice)
    voice.up = True
    one.turned(True, voice)
    assert [said["state"] for said in voice.said] == ["alive", "alive"]


def test_while_the_journal_cannot_be_written_the_topic_is_silent(clock: FakeClock, lines: list[str]) -> None:
    """What is due then is said as soon as it can be written again."""
    one, voice = pulse(clock, lines, topic="traywarden/alive"), FakeVoice()
    one.turned(False, voice)
    assert voice.said == []
    one.turned(True, voice)
    assert [said["state"] for said in voice.said] == ["alive"]


def test_a_planned_stop_is_told_where_somebody_listens(clock: FakeClock, lines: list[str]) -> None:
    """Not without a topic, and not without a connection, which has its last will."""
    voice = FakeVoice()
    pulse(clock, lines).stopping(voice)
    one = pulse(clock, lines, topic="traywarden/alive")
    one.stopping(FakeVoice(up=False))
    assert voice.said == []
    one.stopping(voice)
    assert voice.said == [{"state": "stopped", "at": "2025-03-03T16:20:00Z"}]


def test_a_refusal_by_the_broker_is_counted(clock: FakeClock, lines: list[str]) -> None:
    """Its access rules may not let us write there."""
    one = pulse(clock, lines, topic="traywarden/alive")
    one.told("broker did not take 'traywarden/alive': not authorized")
    one.told("broker did not take 'traywarden/alive': not authorized")
    assert len(lines) == 1
    assert one.tallies()[0].failures == 2
