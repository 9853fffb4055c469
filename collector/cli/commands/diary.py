"""`traywarden diary add | list | strike`."""

import argparse
from typing import Any

from collector.cli.common import home_of, lab_or_none, when_ms
from collector.cli.local import Local, local_of
from collector.cli.noting import HANDS, add_by, add_note, add_when, past_ms, submit
from collector.cli.output import iso, say, say_json, table
from collector.cli.parsing import command, group
from collector.config.clock import system_now
from collector.domain.diary import AMOUNTS, DiaryEntry, DiaryKind
from collector.domain.problems import wrong
from collector.domain.squeeze import FEELS
from collector.pipeline.diary_book import amount_words
from collector.store.reader import Reader
from collector.store.requests import DiaryAdd, DiaryRequest, DiaryStrike

_UNTOUCHED = (DiaryKind.NOTE, DiaryKind.OUT_OF_SERVICE, DiaryKind.IN_SERVICE)
_KINDS = ", ".join(f"{kind} ({AMOUNTS[kind].unit})" if kind in AMOUNTS else kind for kind in DiaryKind)
_FEELS = ", ".join(f"{feel} ({words})" for feel, words in FEELS.items())


def add(parser: argparse.ArgumentParser) -> None:
    under = group(parser)
    adding = command(
        under,
        "add",
        "note what was done; alarms that depend on it heed it at once",
        "traywarden diary add watered --at juniper/top --amount '0.5 L' --by 'class 4b'\n"
        "  traywarden diary add squeeze --at juniper/top --result 'a drop' --when 08:30 --by 'class 4b'\n\n"
        f"{HANDS}",
        run_add,
    )
    adding.add_argument("kind", metavar="KIND", help=f"one of: {_KINDS}")
    adding.add_argument("--at", required=True, metavar="PLACE", help="where, such as juniper/top, juniper or kettle")
    adding.add_argument("--amount", default="", help="how much, with its unit: '0.5 L', '2 cups', '0.2 kg', '8 oz'")
    adding.add_argument(
        "--result", default="", help=f"of a squeeze test, a handful from the middle. {_FEELS}; these words do, too"
    )
    add_when(adding)
    add_by(adding)
    add_note(adding)
    listing = command(under, "list", "show the diary", "traywarden diary list --since '7 d'", run_list, listing=True)
    listing.add_argument("--at", metavar="PLACE", help="only this place; a bin shows its trays too")
    listing.add_argument("--since", metavar="TIME", help="from here on: a date, a time, or '3 d' (that long ago)")
    striking = command(
        under,
        "strike",
        "strike out an entry that was a slip; it stays readable and counts no more",
        "traywarden diary strike 12 --by teacher",
        run_strike,
    )
    striking.add_argument("number", type=int, metavar="N", help="its number in 'diary list'")
    add_by(striking)


def run_add(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    lab = home.load_lab()
    request = DiaryAdd(
        kind=arguments.kind,
        place=arguments.at,
        by=arguments.by,
        t_ms=None if arguments.when is None else past_ms(arguments.when, system_now(), lab.time_zone),
        amount=arguments.amount,
        result=arguments.result,
        note=arguments.note,
    )
    return submit(home, lab, request, () if arguments.kind in _UNTOUCHED else (HANDS,))


def run_strike(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    return submit(home, home.load_lab(), DiaryStrike(number=arguments.number, by=arguments.by))


def run_list(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    lab = lab_or_none(home)
    local = local_of(lab)
    since = when_ms(arguments.since, system_now(), local.zone) if arguments.since else None
    with Reader(home.database) as reader:
        entries = reader.diary(since)
        waiting = [row for row in reader.pending_requests() if isinstance(row.request, DiaryRequest)]
    if arguments.at is not None:
        entries = [entry for entry in entries if f"{entry.place}/".startswith(f"{arguments.at}/")]
        if not entries and lab is not None and arguments.at not in lab.by_id:
            wrong(f"--at {arguments.at}: no such place in lab.yaml; it has {', '.join(lab.by_id)}")
    if arguments.json:
        say_json([_as_json(entry) for entry in entries])
        return 0
    if entries:
        table(("n", local.titled("when"), "at", "what", "", "by", "note"), [_row(entry, local) for entry in entries])
    else:
        say("nothing noted")
    if waiting:
        say(f"{len(waiting)} more wait for the collector to take them up")
    return 0


def _row(entry: DiaryEntry, local: Local) -> list[object]:
    struck = f"(struck out by {entry.struck_by}) " if entry.struck_ms is not None else ""
    what = amount_words(entry, local.us) or entry.result or ""
    return [entry.id, local.time(entry.t_ms), entry.place, entry.kind, what, entry.by, f"{struck}{entry.note}"]


def _as_json(entry: DiaryEntry) -> dict[str, Any]:
    return {
        "number": entry.id,
        "time": iso(entry.t_ms),
        "noted": iso(entry.taken_ms),
        "at": entry.place,
        "kind": entry.kind,
        "amount": entry.amount,
        "unit": AMOUNTS[entry.kind].unit if entry.amount is not None else None,
        "result": entry.result,
        "by": entry.by,
        "note": entry.note,
        "struck": iso(entry.struck_ms),
        "struck_by": entry.struck_by,
    }
