"""`traywarden status`: readings held, last heard per probe, backlog, alarms standing, outbox."""

import argparse
from typing import Any

from collector.alarms.model import State
from collector.cli.common import home_of, lab_or_none
from collector.cli.local import Local, local_of
from collector.cli.output import complain, iso, say, say_json, table
from collector.cli.parsing import takes
from collector.cli.status.values import status
from collector.config.clock import system_now
from collector.domain.units import show_value
from collector.letters.plain import one_line
from collector.store.watch_state import CollectorState, collector_state, read_state
from collector.telling.reach import Hearer, reach_lines

_BY_DESIGN = str(State.SUPPRESSED)
FLAG_WORDS = {1: "good", 2: "not evaluated", 3: "suspect", 4: "failed", 9: "missing", None: "never heard"}


def add(parser: argparse.ArgumentParser) -> None:
    takes(parser, "traywarden status --json", run, listing=True)


_GONE = (CollectorState.STOPPED, CollectorState.SILENT)
"""It has run here and nobody watches the lab now. Before its first start that is no fault."""


def run(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    lab = lab_or_none(home)
    local = local_of(lab)
    found = status(home, lab, system_now(), when=iso if arguments.json else local.time)
    if found["note"]:
        complain(found["note"])
    if arguments.json:
        say_json(found)
    else:
        show(found, local)
    return 1 if collector_state(read_state(home.sign_of_life), system_now()) in _GONE else 0


_WHY_NOT_KEPT = {
    "too_old": ", from before what is kept (TRAYWARDEN_JOURNAL__KEEP_DAYS); is a probe's clock right?",
    "impossible_time": ", from before 1900 or after 9000 by their own time; is a probe's clock right?",
    "too_many": ", far more than a probe should send: deploy/THREATS.md",
}


def show(found: dict[str, Any], local: Local) -> None:
    """The status for people, gathered with the times of `local`."""
    say(f"clock      {local.heading}")
    say(f"collector  {found['watch']}")
    say(
        f"readings   {found['readings']} held, {found['backlog']} waiting, {found['rejected']} messages unreadable, "
        f"{found['unplaced']} readings nobody claims"
    )
    for name, number in found["not_kept"].items():
        if number:
            say(f"not kept   {number} readings{_WHY_NOT_KEPT[name]}")
    outbox = found["outbox"]
    say(
        f"outbox     {outbox['waiting']} waiting, {outbox['sent']} sent, {outbox['failed']} failed, "
        f"{outbox['unconfirmed']} unconfirmed"
    )
    for beat in found["heartbeat"]:
        trouble = f"; at present {beat['error']}" if beat["error"] else ""
        say(f"heartbeat  by {beat['by']}: last {beat['last'] or 'never'}, {beat['failures']} failed{trouble}")
    for line in _reach(found["high_alarm"]):
        say(f"high alarm {line}")
    say()
    _show_alarms(found["alarms"])
    say()
    _show_recipients(found["recipients"])
    say()
    table(("probe", "at", "last heard", "quality", "newest"), [_probe(row, local.us) for row in found["probes"]])


def _reach(rows: list[dict[str, Any]]) -> tuple[str, ...]:
    """Who would be told, as the collector last found; nothing where it has not looked yet."""
    told = {row["at"]: tuple(Hearer(hearer["who"], tuple(hearer["by"])) for hearer in row["told"]) for row in rows}
    return reach_lines(told, None)


def _show_alarms(alarms: list[dict[str, Any]]) -> None:
    """All but those suppressed by design, which are many in a lab at rest and need nobody."""
    rows = [
        [a["priority"], a["name"], a["at"], a["state"], a["since"] or ""] for a in alarms if a["state"] != _BY_DESIGN
    ]
    if rows:
        table(("priority", "alarm", "at", "state", "since"), rows)
    else:
        say("no alarms")
    if len(rows) < len(alarms):
        say(f"{len(alarms) - len(rows)} suppressed by design: traywarden alarms list")


def _show_recipients(rows: list[dict[str, Any]]) -> None:
    """How messages to each person fare, and below what went wrong last."""
    counts = ("waiting", "sent", "failed", "unconfirmed")
    table(
        ("told", "by", *counts, "last delivered"),
        [
            (_who(row), row["by"], *(row[name] for name in counts), row["last_delivered"] or "never")
            for row in rows
        ],
    )  # fmt: skip
    for row in rows:
        if row["last_error"]:
            say(f"{_who(row)} by {row['by']}: {one_line(row['last_error'])}")


def _who(row: dict[str, Any]) -> str:
    return row["who"] or f"{row['recipient']} (not in lab.yaml)"


def _probe(row: dict[str, Any], us: bool) -> list[str]:
    newest = ", ".join(show_value(measure, newest["value"], us) for measure, newest in row["newest"].items())
    return [row["id"], row["at"], row["last_heard"] or "never", FLAG_WORDS[row["flag"]], newest]
