"""`traywarden demo`: broker, simulator, collector and a mail catcher in one go, nothing installed."""

import argparse
import threading
from typing import Any

from collector.cli.commands.status import show
from collector.cli.demo import PACE, CaughtMail, Demo, demo_status, running_demo, wait_demo
from collector.cli.local import Local
from collector.cli.output import complain, iso, say, say_json, say_lines
from collector.cli.parsing import takes
from collector.cli.signals import on_stop_signals, setting
from collector.config.log import UNHEARD, Level, Log
from collector.domain.problems import wrong
from collector.domain.units import parse_duration_ms, show_value
from collector.store.errors import StoreError

_LINE_EVERY_S = 2.0
_LOCAL = Local("UTC")
"""The clock and the units of the demo's lab."""
_PLACES = ("juniper", "maple")


def add(parser: argparse.ArgumentParser) -> None:
    takes(parser, "traywarden demo --stop-after 60s", run, listing=True)
    parser.add_argument("--stop-after", metavar="TIME", help="end by itself after this long, such as 60s")


class _Screen:
    """What is shown while the demo runs; nothing with --json."""

    def __init__(self, quiet: bool) -> None:
        self._quiet = quiet
        self.mails: list[CaughtMail] = []
        self.introduced, self.over = threading.Event(), threading.Event()

    def mail(self, mail: CaughtMail) -> None:
        if self.over.is_set():
            return  # the probes have stopped, which is no part of the story
        new_kind = _urgency(mail) not in {_urgency(earlier) for earlier in self.mails}
        self.mails.append(mail)
        if not self._quiet:
            _show_mail(mail, whole=new_kind)

    def caption(self, t_ms: int, says: str) -> None:
        """What happens in the lab."""
        self.introduced.wait(_LINE_EVERY_S)
        if not self._quiet:
            say_lines(f"\n>> {_LOCAL.time(t_ms).partition(' ')[2]}  {says}\n")

    def line(self, demo: Demo) -> None:
        if not self._quiet:
            _line(demo, len(self.mails))


def run(arguments: argparse.Namespace) -> int:
    if arguments.home is not None:
        wrong("--home: the demo makes a home folder of its own and deletes it at the end")
    seconds = None
    if arguments.stop_after is not None:
        try:
            seconds = parse_duration_ms(arguments.stop_after) / 1000
        except ValueError as error:
            wrong(f"--stop-after: {error}")
    quiet = bool(arguments.json)
    screen = _Screen(quiet)
    told_to_end = threading.Event()
    on_stop_signals(setting(told_to_end))
    log = UNHEARD if quiet else Log(_complain_of_errors)
    with running_demo(screen.mail, screen.caption, log, over=told_to_end) as demo:
        if not quiet:
            _introduce(demo)
        screen.introduced.set()
        wait_demo(demo, seconds, lambda: screen.line(demo), _LINE_EVERY_S)
        screen.over.set()
        return _ended(demo, quiet)


def _ended(demo: Demo, quiet: bool) -> int:
    """How everything is at the end, and whether all went well."""
    found = demo_status(demo, iso if quiet else _LOCAL.time)
    if quiet:
        say_json(found)
    else:
        say_lines("\nAt the end:\n")
        show(found, _LOCAL)
    for line in demo.trouble:
        complain(line)
    return 1 if demo.trouble else 0


def _urgency(mail: CaughtMail) -> str:
    """The first word of the subject: each kind is shown whole once."""
    return mail.subject.partition(":")[0]


def _complain_of_errors(level: Level, line: str) -> None:
    """The demo's own lines tell what happens; of the collector's log only what does not work is shown."""
    if level <= Level.ERROR:
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
    say(f"{_LOCAL.time(demo.now())}  {found['readings']:>8}  {mails:>5}  {bins}")


def _bin(trays: dict[str, dict[str, Any]], name: str) -> str:
    return ", ".join(_tray(trays.get(f"{name}/{tray}", {})) for tray in ("top", "middle", "bottom"))


def _tray(newest: dict[str, Any]) -> str:
    wanted = ("bedding_moisture", "bedding_temperature")
    return " ".join(show_value(m, newest[m]["value"]) for m in wanted if m in newest) or "-"


def _show_mail(mail: CaughtMail, *, whole: bool) -> None:
    if whole:
        rule = "-" * 72
        say_lines(f"\n{rule}\nMail to {mail.to}\nSubject: {mail.subject}\n\n{mail.body.rstrip()}\n{rule}\n")
    else:
        say(f"  mail: {mail.subject}")
