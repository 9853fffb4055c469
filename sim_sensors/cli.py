"""sim-sensors: the simulator from the command line. The only module here that prints.

Exit code 0 good, 1 something is wrong with what was given, 2 usage.
"""

import argparse
import json
import os
import signal
import sys
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import datetime
from pathlib import Path
from types import FrameType
from typing import TextIO

from sim_sensors import quantities, scenario_file, scenarios, truth
from sim_sensors.clock import paced, wall_ms
from sim_sensors.pack import Pack
from sim_sensors.publisher import Publisher, PublishError
from sim_sensors.run import run
from sim_sensors.scenario import Scenario
from sim_sensors.sections import BadScenario, hint

RUN_EXAMPLE = """\
example, two lab hours in half a minute:
  sim-sensors run school-demo --host 127.0.0.1 --pace 240 --duration 2h --truth truth.jsonl

environment:
  SIM_SENSORS_HOST, SIM_SENSORS_PORT            used where --host, --port are not given
  SIM_SENSORS_USERNAME, SIM_SENSORS_PASSWORD    for a broker that asks for them
  SIM_SENSORS_CA_FILE                           certificates to trust; turns TLS on
"""


class _Wrong(Exception):
    """Something given cannot be used: one line, or one per problem."""


def main(argv: Sequence[str] | None = None) -> int:
    parser = _parser()
    given = parser.parse_args(argv)
    try:
        return _list(given) if given.command == "list" else _run(given)
    except (_Wrong, BadScenario, PublishError) as wrong:
        print(wrong, file=sys.stderr)
    except OSError as wrong:
        print(f"{wrong.filename or 'the truth file'}: {wrong.strerror or wrong}", file=sys.stderr)
    return 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="sim-sensors",
        description="Plays a simulated worm-bin lab: publishes what its probes would say as SenML over MQTT.",
        epilog="example:\n  sim-sensors run school-demo --pace 240",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    listing = commands.add_parser("list", help="scenarios that come with it", epilog="example: sim-sensors list --json")
    listing.add_argument("--json", action="store_true", help="as JSON")
    _add_run(
        commands.add_parser(
            "run",
            help="publish a scenario to a broker",
            epilog=RUN_EXAMPLE,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
    )
    return parser


def _add_run(play: argparse.ArgumentParser) -> None:
    play.add_argument("scenario", metavar="SCENARIO", help="a name from 'sim-sensors list', or a .yaml file")
    play.add_argument("--host", help="broker (127.0.0.1)")
    play.add_argument("--port", type=_port, help="its port (1883; 8883 with TLS)")
    play.add_argument("--ca-file", help="certificates to trust; turns TLS on")
    play.add_argument("--pace", type=_pace, default=1.0, help="how many times faster than real time (1)")
    play.add_argument("--seed", type=int, default=1, help="the same seed gives the same bytes (1)")
    play.add_argument(
        "--start",
        type=_start,
        help="time of the first moment: ISO 8601 or 'now' (now; with --pace, so far back that the last reading is "
        "sent at its own time)",
    )
    play.add_argument("--duration", type=_duration, help="lab time to play: 30min, 2h, 7d (the scenario's length)")
    play.add_argument("--truth", type=Path, metavar="FILE", help="write states, faults and harms there, as JSON Lines")


def _port(text: str) -> int:
    if text.isascii() and text.isdigit() and 1 <= int(text) <= 65535:
        return int(text)
    raise argparse.ArgumentTypeError(f"'{text}' is not a port; use 1 to 65535")


def _pace(text: str) -> float:
    try:
        pace = float(text)
    except ValueError:
        pace = 0.0
    if 0 < pace <= 1e6:
        return pace
    raise argparse.ArgumentTypeError(f"'{text}' is not a pace; use a number above 0, such as 240")


def _duration(text: str) -> int:
    try:
        ms = round(quantities.parse(text, "duration"))
    except ValueError:
        ms = 0
    if ms > 0:
        return ms
    raise argparse.ArgumentTypeError(f"'{text}' is not a duration; write it like 30min, 2h or 7d")


def _start(text: str) -> int:
    if text == "now":
        return wall_ms()
    try:
        moment: datetime | None = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise argparse.ArgumentTypeError(f"'{text}' is not a time with its zone; write 2026-03-02T08:00Z, or now")
    return round(moment.timestamp() * 1000)


def _list(given: argparse.Namespace) -> int:
    loaded = [scenarios.load(name) for name in scenarios.names()]
    if given.json:
        print(json.dumps([{"name": s.name, "title": s.title, "length_ms": s.length_ms} for s in loaded]))
    else:
        for one in loaded:
            print(f"{one.name:<14} {one.length_ms / 3_600_000:>5g} h  {one.title}")
    return 0


def _load(name: str) -> Scenario:
    if not name.endswith((".yaml", ".yml")):
        if name not in scenarios.names():
            raise _Wrong(f"no scenario '{name}'{hint(name, scenarios.names())} Or give a .yaml file.")
        return scenarios.load(name)
    path = Path(name)
    try:
        return scenario_file.parse(path.read_text(encoding="utf-8"), path.stem, name)
    except (OSError, UnicodeDecodeError) as wrong:
        raise _Wrong(f"{name}: cannot be read: {getattr(wrong, 'strerror', None) or wrong}") from None


def _run(given: argparse.Namespace) -> int:
    scenario = _load(given.scenario)
    duration_ms = given.duration or scenario.length_ms
    start_ms = _begin_ms(duration_ms, given.pace) if given.start is None else given.start
    publisher = _publisher(given)
    with ExitStack() as stack:
        stop = stack.enter_context(_stop_on_signals())
        packs: Iterable[Pack] = run(scenario, given.seed, start_ms, duration_ms)
        if given.truth is not None:
            file = stack.enter_context(_open(given.truth))
            print(truth.head(scenario, given.seed, start_ms, duration_ms), file=file)
            packs = _recorded(packs, file)
        if sys.stderr.isatty():
            packs = _shown(packs, start_ms, duration_ms)
        _say(f"{scenario.name} from {truth.iso(start_ms)}, {given.pace:g} times real time; stop with Ctrl-C")
        played = publisher.play(packs, clock=paced(start_ms, given.pace), pace=given.pace, stop=stop)
    _say(f"sent {played.sent} packs, {played.confirmed} confirmed by the broker")
    return 0 if played.confirmed == played.sent else 1


def _begin_ms(duration_ms: int, pace: float) -> int:
    """A start from which no reading lies in the future when it is sent."""
    return wall_ms() - max(0, round(duration_ms * (1 - 1 / pace)))


def _publisher(given: argparse.Namespace) -> Publisher:
    env = os.environ
    ca_file = given.ca_file or env.get("SIM_SENSORS_CA_FILE") or None
    port = given.port
    if port is None:
        try:
            port = _port(env.get("SIM_SENSORS_PORT") or ("8883" if ca_file else "1883"))
        except argparse.ArgumentTypeError as wrong:
            raise _Wrong(f"SIM_SENSORS_PORT: {wrong}") from None
    return Publisher(
        given.host or env.get("SIM_SENSORS_HOST") or "127.0.0.1",
        port,
        username=env.get("SIM_SENSORS_USERNAME") or None,
        password=env.get("SIM_SENSORS_PASSWORD") or None,
        ca_file=ca_file,
        tell=_say,
    )


def _open(path: Path) -> TextIO:
    try:
        return path.open("w", encoding="utf-8")
    except OSError as wrong:
        raise _Wrong(f"{path}: cannot be written: {wrong.strerror}") from None


def _recorded(packs: Iterable[Pack], file: TextIO) -> Iterator[Pack]:
    """The packs, their facts written down as they pass."""
    for pack in packs:
        for fact in pack.facts:
            print(truth.line(fact), file=file)
        yield pack


def _shown(packs: Iterable[Pack], start_ms: int, duration_ms: int) -> Iterator[Pack]:
    """The packs, with a bar that grows as they pass."""
    drawn = -1
    for pack in packs:
        percent = 100 * (pack.t_ms - start_ms) // duration_ms
        if percent != drawn:
            drawn = percent
            bar = "#" * (percent // 4)
            print(f"\r[{bar:<25}] {percent:3d} %  {truth.iso(pack.t_ms)[:16]}Z ", end="", file=sys.stderr, flush=True)
        yield pack
    print(file=sys.stderr)


@contextmanager
def _stop_on_signals() -> Iterator[threading.Event]:
    """An event that Ctrl-C and a polite kill set; the handlers from before come back afterwards."""
    stop = threading.Event()

    def ask(number: int, frame: FrameType | None) -> None:
        stop.set()

    before = {number: signal.signal(number, ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
