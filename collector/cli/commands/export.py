"""`traywarden export`: stored readings as CSV, SenML or line protocol, to a file or standard output."""

import argparse
from pathlib import Path
from typing import TextIO, cast

from collector.cli.common import add_span, home_of, span_ms, zone_of
from collector.cli.output import complain, progress_bar
from collector.cli.parsing import takes
from collector.cli.standard_out import StandardOut
from collector.config.clock import system_now
from collector.domain.problems import wrong
from collector.store.export import export
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

        def told(_done: int, share: float) -> None:
            bar(round(share * 1000), 1000)

        if arguments.out is None:
            export(
                reader, arguments.format, cast(TextIO, StandardOut()), since_ms=since, until_ms=until, series_ids=ids
            )
            return 0
        if Path(arguments.out).exists() and home.database.samefile(arguments.out):
            wrong(f"--out {arguments.out}: this is the journal itself; name another file")
        try:
            with Path(arguments.out).open("w", encoding="utf-8", newline="") as out:
                export(reader, arguments.format, out, since_ms=since, until_ms=until, series_ids=ids, progress=told)
        except OSError as error:
            wrong(f"{arguments.out}: cannot be written: {error.strerror}")
    return 0


def _ids(reader: Reader, place: str | None) -> set[int] | None:
    if place is None:
        return None
    series = [one for one in reader.series() if one.measure]
    found = {one.id for one in series if one.place == place or one.place.startswith(f"{place}/")}
    if not found:
        wrong(f"--at {place}: nothing stored there; places: {', '.join(sorted({one.place for one in series}))}")
    return found
