"""`traywarden demo`: broker, simulator, collector and a mail catcher in one go, nothing installed."""

import argparse
from typing import Any

from collector.app.commands.common import command
from collector.app.commands.status import show
from collector.app.demo import PACE, CaughtMail, Demo, demo_status, running_demo, wait_demo
from collector.app.output import complain, local, say, say_json, wrong
from collector.domain.units import parse_duration_ms, show_value
from collector.store.errors import StoreError

_LINE_EVERY_S = 2.0
_PLACES = ("juniper", "maple")


def add(commands: Any) -> None:
    parser = command(
        commands,
        "demo",
        "run broker, simulator, collector and a mail catcher in one go; nothing needs to be installed",
        "traywarden demo --stop-after 60s",
        run,
        listing=True,
    )
    parser.add_argument("--stop-after", metavar="TIME", help="end by itself after this long, such as 60s")


def run(arguments: argparse.Namespace) -> int:
    if arguments.home is not None:
        wrong("--home: the demo makes a home folder of its own and deletes it at the end")
    seconds = None
    if arguments.stop_after is not None:
        try:
            seconds = parse_duration_ms(arguments.stop_after) / 1000
        except ValueError as error:
            wrong(f"--stop-after: {error}")
    mails: list[CaughtMail] = []
    quiet = bool(arguments.json)

    def caught(mail: CaughtMail) -> None:
        new_kind = _urgency(mail) not in {_urgency(earlier) for earlier in mails}
        mails.append(mail)
        if not quiet:
            _show_mail(mail, whole=new_kind)

    with running_demo(caught, _no_log if quiet else complain_of_trouble) as demo:
        if not quiet:
            _introduce(demo)
        try:
            wait_demo(demo, seconds, lambda: None if quiet else _line(demo, len(mails)), _LINE_EVERY_S)
        except KeyboardInterrupt:
            say()
        found = demo_status(demo)
        if quiet:
            say_json(found)
        else:
            say("\nAt the end:\n")
            show(found, us=False)
        for line in demo.trouble:
            complain(line)
        return 1 if demo.trouble else 0


def _urgency(mail: CaughtMail) -> str:
    """The first word of the subject: each kind is shown whole once."""
    return mail.subject.partition(":")[0]


def _no_log(_line: str) -> None:
    """With --json nothing else is printed."""


def complain_of_trouble(line: str) -> None:
    """The demo's own pages tell what happens; of the collector's log only what went wrong is shown."""
    if any(word in line for word in ("cannot", "lost", "refused", "failed", "damaged")):
        complain(line)


def _introduce(demo: Demo) -> None:
    say("Quillbrook School worm lab, invented: two bins of three trays, a room and a brewer send readings over MQTT.")
    say(f"One second here is {PACE / 60:.0f} minutes in the lab. Mail is caught and shown here; none leaves.")
    say(f"Board: {demo.board} (each mail that calls for someone has a link to its alarm there)")
    say(f"Home folder: {demo.home.path} (deleted at the end). Ctrl-C ends the demo.")
    say()
    say("lab time          readings  mails  moisture and temperature from top to bottom")


def _line(demo: Demo, mails: int) -> None:
    """One line of what the lab is like now."""
    try:
        found = demo_status(demo)
    except StoreError:
        return  # the collector is just making its journal
    trays = {row["at"]: row["newest"] for row in found["probes"]}
    bins = "   ".join(f"{name}: {_bin(trays, name)}" for name in _PLACES)
    say(f"{local(demo.now(), 'UTC')}  {found['readings']:>8}  {mails:>5}  {bins}")


def _bin(trays: dict[str, dict[str, Any]], name: str) -> str:
    return ", ".join(_tray(trays.get(f"{name}/{tray}", {})) for tray in ("top", "middle", "bottom"))


def _tray(newest: dict[str, Any]) -> str:
    wanted = ("bedding_moisture", "bedding_temperature")
    return " ".join(show_value(m, newest[m]["value"]) for m in wanted if m in newest) or "-"


def _show_mail(mail: CaughtMail, *, whole: bool) -> None:
    if whole:
        rule = "-" * 72
        say(f"\n{rule}\nMail to {mail.to}\nSubject: {mail.subject}\n\n{mail.body.rstrip()}\n{rule}\n")
    else:
        say(f"  mail: {mail.subject}")
