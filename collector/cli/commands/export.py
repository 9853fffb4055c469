"""`traywarden export`: stored readings as CSV, SenML or line protocol, to a file or standard output."""

import argparse
from pathlib import Path
from typing import TextIO, cast

from collector.cli.common import add_span, home_of, lab_or_none, span_ms, zone_of
from collector.cli.output import complain, progress_bar
from collector.cli.parsing import takes
from collector.cli.standard_out import StandardOut
from collector.config.clock import system_now
from collector.config.home import Home
from collector.domain.problems import wrong
from collector.store.export import NO_LAB, export
from collector.store.line_protocol import LabTags
from collector.store.reader import Reader


def add(parser: argparse.ArgumentParser) -> None:
    takes(parser, "traywarden export --format csv --since '30 d' --out march.csv", run)
    parser.add_argument("--format", choices=("csv", "senml", "lines"), default="csv", help="default: csv")
    parser.add_argument("--out", metavar="FILE", help="file to write (default: standard output)")
    parser.add_argument("--at", metavar="PLACE", help="only this place: juniper, juniper/top, room, kettle")
    add_span(parser)


def run(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    since, until = span_ms(arguments, system_now(), zone_of(home))
    bar = progress_bar("export")
    with Reader(home.database) as reader:
        if reader.note:
            complain(reader.note)
        ids = _ids(reader, arguments.at)
        lab = _lab_tags(home) if arguments.format == "lines" else NO_LAB

        def told(_done: int, share: float) -> None:
            bar(round(share * 1000), 1000)

        if arguments.out is None:
            printed = cast(TextIO, StandardOut())
            export(reader, arguments.format, printed, since_ms=since, until_ms=until, series_ids=ids, lab=lab)
            return 0
        if Path(arguments.out).exists() and home.database.samefile(arguments.out):
            wrong(f"--out {arguments.out}: this is the journal itself; name another file")
        try:
            with Path(arguments.out).open("w", encoding="utf-8", newline="") as out:
                export(
                    reader,
                    arguments.format,
                    out,
                    since_ms=since,
                    until_ms=until,
                    series_ids=ids,
                    progress=told,
                    lab=lab,
                )
        except OSError as error:
            wrong(f"{arguments.out}: cannot be written: {error.strerror}")
    return 0


def _lab_tags(home: Home) -> LabTags:
    """As the uplink has them, whether or not one is set up."""
    from collector.config.settings import load_settings
    from collector.uplink.destination import destination_of

    lab = lab_or_none(home)
    return destination_of(load_settings().uplink).tags(lab.name if lab is not None else "")


def _ids(reader: Reader, place: str | None) -> set[int] | None:
    if place is None:
        return None
    series = [stored for stored in reader.series() if stored.measure]
    found = {stored.id for stored in series if stored.place == place or stored.place.startswith(f"{place}/")}
    if not found:
        wrong(f"--at {place}: nothing stored there; places: {', '.join(sorted({stored.place for stored in series}))}")
    return found
