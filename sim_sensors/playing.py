"""`traywarden-sim run`: a scenario to a broker or into a recording, with its truth beside it."""

import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Self

from sim_sensors import recording, truth
from sim_sensors.clock import paced, wall_ms
from sim_sensors.pack import Pack
from sim_sensors.publisher import Publisher
from sim_sensors.run import run
from sim_sensors.scenario import Scenario
from sim_sensors.settings import Broker

Tell = Callable[[str], None]


class CannotWrite(Exception):
    """A file that cannot be written: one line."""


@dataclass(frozen=True, slots=True)
class Play:
    """What to play."""

    scenario: Scenario
    seed: int
    start_ms: int
    duration_ms: int


def begin_ms(duration_ms: int, pace: float) -> int:
    """A start from which no reading lies in the future when it is sent; `pace` may be infinite."""
    return wall_ms() - max(0, round(duration_ms * (1 - 1 / pace)))


def publish(play: Play, broker: Broker, pace: float, truth_file: Path | None, tell: Tell) -> bool:
    """Whether the broker confirmed all. Raises PublishError, CannotWrite."""
    publisher = Publisher(
        broker.host,
        broker.port,
        username=broker.username,
        password=broker.password,
        ca_file=broker.ca_file,
        tls=broker.tls,
        tell=tell,
    )
    with ExitStack() as stack:
        stop = stack.enter_context(_stop_on_signals())
        packs = _packs(play, truth_file, stack)
        tell(f"{play.scenario.name} from {truth.iso(play.start_ms)}, {pace:g} times real time; stop with Ctrl-C")
        played = publisher.play(packs, clock=paced(play.start_ms, pace), pace=pace, stop=stop)
    tell(f"sent {played.sent} packs, {played.confirmed} confirmed by the broker")
    return played.confirmed == played.sent


def record(play: Play, into: Path, truth_file: Path | None, tell: Tell) -> None:
    """All of it into a recording as fast as it goes. Raises CannotWrite. A stop leaves whole lines."""
    count = 0
    with ExitStack() as stack:
        stop = stack.enter_context(_stop_on_signals())
        file = stack.enter_context(_Lines(into))
        for pack in _packs(play, truth_file, stack):
            if stop.is_set():
                break
            file.add(recording.line(pack))
            count += 1
    tell(f"{count} packs written to {into}")


def _packs(play: Play, truth_file: Path | None, stack: ExitStack) -> Iterable[Pack]:
    packs: Iterable[Pack] = run(play.scenario, play.seed, play.start_ms, play.duration_ms)
    if truth_file is not None:
        file = stack.enter_context(_Lines(truth_file))
        file.add(truth.head(play.scenario, play.seed, play.start_ms, play.duration_ms))
        packs = _with_truth(packs, file)
    return shown(packs, play) if sys.stderr.isatty() else packs


class _Lines:
    """A file written line by line. What goes wrong with it is a CannotWrite that names it."""

    def __init__(self, path: Path) -> None:
        self._path = path
        with self._named():
            self._file = path.open("w", encoding="utf-8", newline="\n")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        with self._named():
            self._file.close()

    def add(self, line: str) -> None:
        with self._named():
            self._file.write(line + "\n")

    @contextmanager
    def _named(self) -> Iterator[None]:
        try:
            yield
        except OSError as wrong:
            raise CannotWrite(f"{self._path}: cannot be written: {wrong.strerror}") from None


def _with_truth(packs: Iterable[Pack], file: _Lines) -> Iterator[Pack]:
    """The packs, their facts written down as they pass."""
    for pack in packs:
        for fact in pack.facts:
            file.add(truth.line(fact))
        yield pack


def shown(packs: Iterable[Pack], play: Play) -> Iterator[Pack]:
    """The packs, with a bar that grows as they pass."""
    drawn = -1
    for pack in packs:
        percent = 100 * (pack.t_ms - play.start_ms) // play.duration_ms
        if percent != drawn:
            drawn = percent
            bar, at = "#" * (percent // 4), truth.iso(pack.t_ms)[:16]
            sys.stderr.write(f"\r[{bar:<25}] {percent:3d} %  {at}Z ")
            sys.stderr.flush()
        yield pack
    sys.stderr.write("\n")


@contextmanager
def _stop_on_signals() -> Iterator[threading.Event]:
    """An event that Ctrl-C and a polite kill set; the handlers from before come back afterwards."""
    stop = threading.Event()

    def ask(number: int, frame: FrameType | None) -> None:
        # By a thread: the main one may be waiting on the event just now, and hold the lock that setting it takes.
        threading.Thread(target=stop.set, daemon=True).start()

    before = {number: signal.signal(number, ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
