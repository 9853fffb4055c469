"""traywarden-sim: the simulator from the command line. The only module here that prints.

Exit code 0 good, 1 something is wrong with what was given, 2 usage.
"""

import argparse
import json
import math
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from sim_sensors import (
    __version__,
    arguments,
    family,
    lab_file,
    playing,
    plot,
    scenario_file,
    scenarios,
    settings,
    varying,
)
from sim_sensors.playing import CannotWrite, Play
from sim_sensors.plot import CannotPlot
from sim_sensors.publisher import PublishError
from sim_sensors.recording import BadRecording
from sim_sensors.scenario import Scenario
from sim_sensors.sections import BadScenario, hint
from sim_sensors.settings import BadSetting

RUN_EXAMPLES = """\
examples:
  traywarden-sim run school-demo --host 127.0.0.1 --pace 240 --duration 2h --truth truth.jsonl
  traywarden-sim run quiet --pace 1440                    a day a minute
  traywarden-sim run quiet --start 2026-03-02T08:00Z --no-broker quiet.jsonl --truth truth.jsonl

environment:
  SIM_SENSORS_HOST, SIM_SENSORS_PORT            used where --host, --port are not given
  SIM_SENSORS_USERNAME, SIM_SENSORS_PASSWORD    for a broker that asks for them
  SIM_SENSORS_CA_FILE, SIM_SENSORS_TLS          certificates to trust, which turns TLS on; TLS with the system's own
  SIM_SENSORS_SECRETS_DIR                       folder of files named like the variables above, one value each
"""
PLOT_EXAMPLES = """\
examples:
  traywarden-sim plot truth.jsonl --out truth.svg
  traywarden-sim plot truth.jsonl packs.jsonl messages.jsonl --out story.png
  traywarden-sim plot school-demo --place juniper/top --duration 4h --out top.svg

files, told apart by what is in them:
  truth         what 'run --truth' wrote
  recording     what 'run --no-broker' wrote: the readings
  messages      JSON Lines of {"time": "2026-03-02T08:30:00Z", "place": "juniper/top", "subject": "..."}
"""


class _Wrong(Exception):
    """Something given cannot be used: one line, or one per problem."""


def main(argv: Sequence[str] | None = None) -> int:
    given = _parser().parse_args(argv)
    try:
        return int(given.act(given))
    except (_Wrong, BadScenario, BadSetting, BadRecording, CannotWrite, CannotPlot, PublishError) as wrong:
        print(wrong, file=sys.stderr)
    except OSError as wrong:
        print(f"{wrong.filename}: {wrong.strerror}", file=sys.stderr)
    return 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="traywarden-sim",
        description="Plays a simulated worm-bin lab: what its probes would say, and the truth behind it.",
        epilog="example:\n  traywarden-sim run school-demo --pace 240",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"%(prog)s {__version__}", help="show the version")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    example = "example: traywarden-sim list --json"
    listing = commands.add_parser("list", help="scenarios that come with it", epilog=example)
    listing.add_argument("--json", action="store_true", help="as JSON")
    listing.set_defaults(act=_list)
    _add_run(_command(commands, "run", "publish a scenario to a broker, or record it", RUN_EXAMPLES))
    example = "example:\n  traywarden-sim lab school-demo --out lab.yaml"
    lab = _command(commands, "lab", "the collector's lab.yaml for the probes of a scenario", example)
    _add_scenario(lab)
    lab.add_argument("--seed", type=int, default=1, help="of the run it is for; a seed moves what trays weigh (1)")
    lab.add_argument("--start", type=arguments.start, help="of the run, for the years of the holidays (the scenario's)")
    lab.add_argument("--out", type=Path, metavar="FILE", help="write it there; a file that exists is left alone")
    lab.set_defaults(act=_lab)
    _add_plot(_command(commands, "plot", "draw truth, readings and messages", PLOT_EXAMPLES))
    return parser


def _command(
    commands: "argparse._SubParsersAction[argparse.ArgumentParser]", name: str, what: str, epilog: str
) -> argparse.ArgumentParser:
    raw = argparse.RawDescriptionHelpFormatter
    return commands.add_parser(name, help=what, description=what.capitalize(), epilog=epilog, formatter_class=raw)


def _add_scenario(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "scenario",
        metavar="SCENARIO",
        help="a name from 'traywarden-sim list', world-N for a lab drawn at random, or a .yaml file",
    )


def _add_run(play: argparse.ArgumentParser) -> None:
    _add_scenario(play)
    play.add_argument("--host", help="broker (127.0.0.1)")
    play.add_argument("--port", type=arguments.port, help="its port (1883; 8883 with TLS)")
    play.add_argument("--ca-file", help="certificates to trust; turns TLS on")
    play.add_argument("--tls", action="store_true", help="TLS with the certificates this system trusts")
    play.add_argument("--pace", type=arguments.pace, help="how many times faster than real time (1)")
    play.add_argument(
        "--no-broker", type=Path, metavar="FILE", help="write the messages there as JSON Lines, as fast as it goes"
    )
    _add_played(play)
    play.add_argument("--truth", type=Path, metavar="FILE", help="write states, faults and harms there, as JSON Lines")
    play.set_defaults(act=_run)


def _add_played(command: argparse.ArgumentParser) -> None:
    command.add_argument("--seed", type=int, default=1, help="the same seed and start give the same bytes (1)")
    command.add_argument(
        "--start",
        type=arguments.start,
        help="time of the first moment: ISO 8601 or 'now' (for a file, what the scenario says, if it does; else so "
        "far back that no reading lies in the future)",
    )
    command.add_argument(
        "--duration", type=arguments.duration, help="lab time to play: 30min, 2h, 7d (the scenario's length)"
    )


def _add_plot(draw: argparse.ArgumentParser) -> None:
    draw.add_argument("what", nargs="+", metavar="WHAT", help="a scenario, or a truth file with what belongs to it")
    draw.add_argument("--out", type=Path, required=True, metavar="FILE", help="a .svg, or a .png by way of chromium")
    draw.add_argument("--place", action="append", metavar="PLACE", help="only these places (those where something is)")
    _add_played(draw)
    draw.set_defaults(act=_plot)


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
        world = family.named(name)
        if world is None and name not in scenarios.names():
            raise _Wrong(f"no scenario '{name}'{hint(name, scenarios.names())} Or give a .yaml file.")
        return world or scenarios.load(name)
    path = Path(name)
    try:
        return scenario_file.parse(path.read_text(encoding="utf-8"), path.stem, name)
    except (OSError, UnicodeDecodeError) as wrong:
        raise _Wrong(f"{name}: cannot be read: {getattr(wrong, 'strerror', None) or wrong}") from None


def _run(given: argparse.Namespace) -> int:
    into, pace = given.no_broker, given.pace or 1.0
    play = _play(given, math.inf if into is not None else pace)
    if into is None:
        broker = settings.broker(os.environ, given.host, given.port, given.ca_file, given.tls)
        return 0 if playing.publish(play, broker, pace, given.truth, _say) else 1
    if given.pace or given.host or given.port or given.ca_file or given.tls:
        raise _Wrong(
            "--no-broker takes neither a broker nor a pace; leave --host, --port, --ca-file, --tls, --pace out"
        )
    playing.record(play, into, given.truth, _say)
    return 0


def _play(given: argparse.Namespace, pace: float, name: str | None = None) -> Play:
    scenario = _load(name or given.scenario)
    duration_ms = given.duration or scenario.length_ms
    start_ms = scenario.start_ms if given.start is None and math.isinf(pace) else given.start
    if start_ms is None:
        start_ms = playing.begin_ms(duration_ms, pace)
    return Play(scenario, given.seed, start_ms, duration_ms)


def _lab(given: argparse.Namespace) -> int:
    text = lab_file.text(varying.varied(_load(given.scenario), given.seed), given.start)
    if given.out is None:
        print(text, end="")
        return 0
    try:
        with given.out.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        _say(f"{given.out}: is there already; left as it is")
    except OSError as wrong:
        raise _Wrong(f"{given.out}: cannot be written: {wrong.strerror}") from None
    return 0


def _plot(given: argparse.Namespace) -> int:
    if len(given.what) == 1 and _is_scenario(given.what[0]):
        story = plot.played(_play(given, math.inf, given.what[0]))
    else:
        story = plot.read([Path(name) for name in given.what])
    plot.write(story, given.out, given.place or ())
    return 0


def _is_scenario(word: str) -> bool:
    return word in scenarios.names() or family.NAME.fullmatch(word) is not None or word.endswith((".yaml", ".yml"))


def _say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
