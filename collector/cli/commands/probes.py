"""`traywarden probes list | assign | move | remove | calibrate | out-of-service | in-service`."""

import argparse
import os
import shutil
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from collector.cli.calibrating import newest_becomes, refuse_doubtful
from collector.cli.common import home_of, lab_or_none
from collector.cli.local import Local, local_of
from collector.cli.ordering import add_by, add_json, add_reason, by_of, order, reason_of
from collector.cli.output import iso, say, say_json, table
from collector.cli.parsing import command, group
from collector.cli.sample_shape import refuse_other_format
from collector.cli.status.oddities import refused_values, say_refused, say_strangers, stranger_values, unclaimed
from collector.cli.status.values import probe_rows
from collector.config.clock import system_now
from collector.config.home import Home
from collector.config.lab_calibrations import not_calibrated
from collector.config.lab_edit import (
    assign_probe,
    calibrated,
    move_probe,
    remove_probe,
    rename_probe,
    set_calibration,
)
from collector.config.lab_file import read_lab
from collector.config.written_files import read_bytes
from collector.domain.calibration_points import is_uncalibrated
from collector.domain.lab import Channel, Format, Probe
from collector.domain.problems import nearest, wrong
from collector.domain.units import MEASURES, parse_duration_ms, show_value
from collector.store.errors import StoreError
from collector.store.reader import Reader
from collector.store.requests import ProbeIn, ProbeOut
from collector.store.tables.oddity_rows import Stranger

_TAKEN_UP = "a running collector takes it up within a few seconds"


def add(parser: argparse.ArgumentParser) -> None:
    under = group(parser)
    command(
        under,
        "list",
        "show every probe, readings nobody claims, and messages that were refused, with the reason",
        "traywarden probes list",
        run_list,
        listing=True,
    )
    _add_assign(under)
    _add_moves(under)
    _add_calibrate(under)
    _add_service(under)


def _add_service(under: Any) -> None:
    out = command(
        under,
        "out-of-service",
        "tell nobody of a probe's alarms until it is put back; its readings are kept",
        "traywarden probes out-of-service maple-top --reason 'cable being replaced' --by maintainer",
        run_out_of_service,
    )
    back = command(
        under,
        "in-service",
        "put a probe back; whoever must hear of its alarms is told at once",
        "traywarden probes in-service maple-top --by maintainer",
        run_in_service,
    )
    add_reason(out)
    for parser in (out, back):
        parser.add_argument("id", help="the probe")
        add_by(parser)
        add_json(parser)


def _add_assign(under: Any) -> None:
    parser = command(
        under,
        "assign",
        "give a probe a place: writes its entry into lab.yaml",
        "traywarden probes assign maple-top --at maple/top --topic worms/maple/top \\\n"
        "      --channel temperature=bedding_temperature,unit=Cel,model=ds18b20",
        run_assign,
    )
    parser.add_argument("id", help="a name for the probe, such as maple-top")
    parser.add_argument("--at", required=True, metavar="PLACE", help="where it is: maple/top, room, kettle")
    parser.add_argument("--topic", required=True, help="the topic it publishes to")
    parser.add_argument("--format", choices=[form.value for form in Format], default="senml", help="default: senml")
    parser.add_argument("--senml-name", default="", metavar="NAME", help="what its record names start with")
    parser.add_argument("--time", default="", metavar="POINTER", help="json: where the time stands, such as /at")
    parser.add_argument("--every", default="1 min", metavar="TIME", help="how often it reports (default: 1 min)")
    parser.add_argument(
        "--channel",
        action="append",
        required=True,
        metavar="NAME=MEASURE[,unit=U][,model=M][,from=DATE,point=RAW:VALUE,...]",
        help="one measured quantity; give it once for each. NAME is the record name (senml) or JSON Pointer (json); a "
        "raw unit such as count needs two points or more, and the day from which they hold",
    )


def _add_moves(under: Any) -> None:
    move = command(
        under,
        "move",
        "put a probe at another place, or give it another name, in lab.yaml; what it measured stays where it was",
        "traywarden probes move maple-top --at maple/middle --name maple-middle",
        run_move,
    )
    move.add_argument("--at", default="", metavar="PLACE", help="where it is now: maple/middle, room, kettle")
    move.add_argument("--name", default="", metavar="NEW", help="what it is called from now on")
    remove = command(
        under,
        "remove",
        "take a probe out of lab.yaml; its readings are kept",
        "traywarden probes remove maple-middle",
        run_remove,
    )
    for parser in (move, remove):
        parser.add_argument("id", help="the probe")


def _add_calibrate(under: Any) -> None:
    parser = command(
        under,
        "calibrate",
        "write calibration points for a channel into lab.yaml",
        "traywarden probes calibrate juniper-top moisture --from 2026-03-02 \\\n"
        "      --point '1950=62 %' --point '1620=84 %' --note 'oven samples of this bedding'",
        run_calibrate,
    )
    parser.add_argument("id", help="the probe")
    parser.add_argument("channel", help="its channel, such as moisture")
    parser.add_argument("--from", dest="since", required=True, metavar="DATE", help="valid from this day on")
    parser.add_argument("--point", action="append", required=True, metavar="RAW=VALUE", help="at least two")
    parser.add_argument("--note", default="", help="how it was measured")


def run_list(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    lab = lab_or_none(home)
    local = local_of(lab)
    with Reader(home.database) as reader:
        series = {stored.id: stored for stored in reader.series()}
        rows = probe_rows(series, reader.newest(), lab, iso if arguments.json else local.time)
        strangers, refused = unclaimed(reader.unplaced(), lab), reader.rejected()
        held = [alarm.state for alarm in reader.alarms() if alarm.state.out_by and alarm.state.key.series in series]
    out = {series[state.key.series].probe: state.out_by for state in held}
    if arguments.json:
        given = [{**row, "out_of_service_by": out.get(row["id"])} for row in rows]
        unplaced = [stranger_values(stranger) for stranger in strangers]
        say_json({"probes": given, "unplaced": unplaced, "refused": [refused_values(message) for message in refused]})
        return 0
    say(local.heading)
    shown = []
    for row in rows:
        for measure, newest in sorted(row["newest"].items()) or [("nothing yet", None)]:
            value = "" if newest is None or newest["value"] is None else _value(measure, newest, local)
            heard, flag = (newest["time"], newest["flag"]) if newest else ("never", "")
            shown.append([row["id"], row["at"], measure, value, flag, heard])
    table(("probe", "at", "measure", "newest", "flag", "time"), shown)
    for row in rows:
        if row["id"] in out:
            say(f"{row['id']} is out of service, by {out[row['id']]}")
    say_strangers(strangers, local)
    say_refused(refused, local)
    return 0


def _value(measure: str, newest: Mapping[str, Any], local: Local) -> str:
    """As this lab reads it, where it is in the unit of its measure."""
    known = MEASURES.get(measure)
    if known is None or newest["unit"] != known.unit:
        return f"{newest['value']:g} {newest['unit']}"
    return show_value(measure, newest["value"], local.us)


def run_assign(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    try:
        every_ms = parse_duration_ms(arguments.every)
    except ValueError as error:
        wrong(f"--every: {error}")
    before = _lab_text(home)
    probe = Probe(
        id=arguments.id,
        place=arguments.at,
        topic=arguments.topic,
        format=Format(arguments.format),
        channels=tuple(_channel(text, Format(arguments.format), before) for text in arguments.channel),
        every_ms=every_ms,
        senml_name=arguments.senml_name,
        time_pointer=arguments.time,
    )
    refuse_other_format(probe.topic, probe.format, _strangers(home))
    after = assign_probe(before, probe)
    refuse_doubtful(before, after, probe.id, system_now())
    _rewrite(home, after)
    say(f"probe '{probe.id}' written into {home.lab_file}; {_TAKEN_UP}")
    for channel in filter(is_uncalibrated, probe.channels):
        say(f"{probe.id} {channel.key}: {not_calibrated(probe, channel)}")
    return 0


def _strangers(home: Home) -> list[Stranger]:
    """What nobody claims, as far as a collector has run here; a journal that cannot be read holds no assignment up."""
    if not home.database.exists():
        return []
    try:
        with Reader(home.database) as reader:
            return reader.unplaced()
    except StoreError:
        return []


def _channel(text: str, form: Format, lab_text: str) -> Channel:
    """'temperature=bedding_temperature,unit=Cel,model=ds18b20' as a channel; lab.yaml's own checks judge the words."""
    name, equals, rest = text.partition("=")
    measure, *extras = rest.split(",")
    if not equals or not name or not measure:
        wrong(f"--channel {text}: write NAME=MEASURE, such as temperature=bedding_temperature,unit=Cel")
    key = name.strip("/").replace("/", "-").replace("_", "-").lower() or "value"
    unit = MEASURES[measure].unit if measure in MEASURES else ""
    channel = Channel(key=key, measure=measure, unit=unit, name="" if form is Format.NUMBER else name)
    since = ""
    points: list[tuple[float, str]] = []
    for extra in extras:
        what, _, value = extra.partition("=")
        if what not in ("unit", "model", "from", "point") or not value:
            wrong(f"--channel {text}: '{extra}' is neither unit=... nor model=..., from=... or point=...")
        if what == "point":
            points.append(_point(value, ":"))
        elif what == "from":
            since = value
        else:
            channel = replace(channel, unit=value) if what == "unit" else replace(channel, model=value)
    return _with_points(text, channel, since, points, lab_text)


def _with_points(text: str, channel: Channel, since: str, points: list[tuple[float, str]], lab_text: str) -> Channel:
    if not points and not since:
        return channel
    if not points or not since or channel.measure not in MEASURES:
        wrong(f"--channel {text}: a calibration is from=DATE and points, such as from=2026-03-02,point=1950:62 %")
    try:
        return calibrated(lab_text, channel, since, points)
    except ValueError as error:
        wrong(f"--channel {text}: {error}")


def run_move(arguments: argparse.Namespace) -> int:
    home, probe, text = home_of(arguments), arguments.id, _lab_text(home_of(arguments))
    if not arguments.at and not arguments.name:
        wrong("say where it is now with --at PLACE, what it is called with --name NEW, or both")
    if arguments.at:
        text = move_probe(text, probe, arguments.at)
    if arguments.name:
        text = rename_probe(text, probe, arguments.name)
    _rewrite(home, text)
    done = [f"is at {arguments.at}"] if arguments.at else []
    done += [f"is called '{arguments.name}'"] if arguments.name else []
    say(f"probe '{probe}' {' and '.join(done)} from now on; {_TAKEN_UP}")
    say("what it measured so far is kept under its old name and place")
    if arguments.name:
        say(f"an account that the broker has for it stays '{probe}' and goes on working. To rename that too:")
        say(f"  sudo deploy/add-probe.sh {arguments.name}       and put what it prints into the probe")
        say(f"  sudo deploy/remove-probe.sh {probe}    once readings come again")
    return 0


def run_remove(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    _rewrite(home, remove_probe(_lab_text(home), arguments.id))
    say(f"probe '{arguments.id}' is out of {home.lab_file}; {_TAKEN_UP}")
    say("its readings are kept; what it still sends shows as unclaimed in 'traywarden probes list'")
    say(f"an account that the broker has for it goes with: sudo deploy/remove-probe.sh {arguments.id}")
    return 0


def run_calibrate(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    points = [_point(text) for text in arguments.point]
    probe, channel, before, now_ms = arguments.id, arguments.channel, _lab_text(home), system_now()
    after = set_calibration(before, probe, channel, arguments.since, points, arguments.note)
    refuse_doubtful(before, after, probe, now_ms)
    _rewrite(home, after)
    say(f"{probe} {channel}: {len(points)} points written into {home.lab_file}; {_TAKEN_UP}")
    becomes = newest_becomes(home, read_lab(before), read_lab(after), probe, channel, now_ms)
    say(f"{probe} {channel}: {becomes}")
    return 0


def _point(text: str, between: str = "=") -> tuple[float, str]:
    raw, _, value = text.partition(between)
    try:
        return float(raw), value.strip()
    except ValueError:
        wrong(f"--point {text}: write RAW{between}VALUE, such as '1950{between}62 %'")


def run_out_of_service(arguments: argparse.Namespace) -> int:
    probe, reason = _known(arguments), reason_of(arguments)
    return order(arguments, ProbeOut(probe=probe, reason=reason, by=by_of(arguments)))


def run_in_service(arguments: argparse.Namespace) -> int:
    return order(arguments, ProbeIn(probe=_known(arguments), by=by_of(arguments)))


def _known(arguments: argparse.Namespace) -> str:
    """The probe that is meant: told at once where there is none, also where no collector runs that could."""
    known = [probe.id for probe in home_of(arguments).load_lab().probes]
    if arguments.id not in known:
        guess = nearest(arguments.id, known)
        wrong(
            f"no probe is called '{arguments.id}'"
            + (f"; did you mean '{guess}'?" if guess else f"; lab.yaml has {', '.join(known) or 'none'}")
        )
    return str(arguments.id)


def _lab_text(home: Home) -> str:
    home.load_lab()  # says what is wrong with it, if anything is
    return read_bytes(home.lab_file).decode("utf-8")


def _rewrite(home: Home, text: str) -> None:
    """Replace lab.yaml in one step: a crash leaves the old one or the new one."""
    part = home.lab_file.with_name("lab.yaml.part")
    try:
        with part.open("wb") as file:
            file.write(text.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        shutil.copymode(home.lab_file, part)
        part.replace(home.lab_file)
    except OSError as error:
        wrong(f"{part}: cannot be written: {error.strerror}; {home.lab_file} is unchanged")
