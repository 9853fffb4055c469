"""`traywarden uplink status | backfill`."""

import argparse

from collector.cli.common import add_span, home_of, lab_or_none, span_ms
from collector.cli.local import local_of
from collector.cli.output import complain, iso, progress_bar, say, say_json
from collector.cli.parsing import command, group
from collector.cli.status.values import uplink_row, uplink_words
from collector.config.clock import system_now
from collector.config.settings import load_settings
from collector.domain.problems import wrong
from collector.store.reader import Reader
from collector.uplink.destination import destination_of, not_installed
from collector.uplink.queue import uplink_state

_SHOWN = 5


def add(parser: argparse.ArgumentParser) -> None:
    under = group(parser)
    command(
        under, "status", "how far it is, and what was set aside", "traywarden uplink status", run_status, listing=True
    )
    filling = command(
        under,
        "backfill",
        "send a stretch of the journal again; what is there already stays as it is",
        "traywarden uplink backfill --since '2026-01-01'",
        run_backfill,
    )
    add_span(filling)


def run_status(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    with Reader(home.database) as reader:
        state = uplink_state(reader, system_now())
    if arguments.json:
        say_json(uplink_row(state, iso))
        return 0
    say(uplink_words(state, local_of(lab_or_none(home)).timed))
    for reason in state.reasons if state is not None else ():
        say(f"  set aside: {reason}")
    return 0


def run_backfill(arguments: argparse.Namespace) -> int:
    home, settings, now_ms = home_of(arguments), load_settings(), system_now()
    if not settings.uplink.url:
        wrong("no uplink is set up; set TRAYWARDEN_UPLINK__URL and __BUCKET")
    wanted, lab = destination_of(settings.uplink), lab_or_none(home)
    local = local_of(lab)
    name = wanted.lab or (lab.name if lab is not None else "")
    if not name:
        wrong(f"{home.lab_file}: cannot be used, so the lab's name is not known; set TRAYWARDEN_UPLINK__LAB")
    try:
        from collector.uplink.backfill import backfill
        from collector.uplink.writer import InfluxWriter, Later
    except ImportError as missing:
        wrong(not_installed(missing))

    with Reader(home.database) as reader:
        span, (since, until) = reader.span(), span_ms(arguments, now_ms, local.zone)
        since = since if since is not None else span[0] if span is not None else now_ms
        until = now_ms if until is None else until
        writer = InfluxWriter(wanted)
        try:
            filled = backfill(reader, writer, wanted.tags(name), since, until, system_now, progress_bar("sending"))
        except Later as later:
            wrong(f"not all was sent: {later}; run it again")
        finally:
            writer.close()
    say(f"{filled.lines:,} lines sent, from {local.time(since)} to {local.timed(until)}")
    for reason, line in filled.refused[:_SHOWN]:
        complain(f"refused: {reason}: {line[:200]}")
    if len(filled.refused) > _SHOWN:
        complain(f"and {len(filled.refused) - _SHOWN:,} more lines were refused")
    return 1 if filled.refused else 0
