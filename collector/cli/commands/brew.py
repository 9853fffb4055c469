"""`traywarden brew start | show | end | strike`.

When the air stopped is said with `brew end --air-stopped`; left out, it is when the pump's readings show that it went
off and stayed off; where none do, it is the end itself. Using the tea is a diary entry: `diary add tea-used`.
"""

import argparse
from typing import Any

from collector.cli.common import home_of, lab_or_none
from collector.cli.local import Local, local_of
from collector.cli.noting import HANDS, TEA, add_by, add_note, add_when, past_ms, rehearsed, submit
from collector.cli.output import iso, say, say_json
from collector.cli.parsing import command, group
from collector.config.clock import system_now
from collector.domain.diary import BREW_WINDOW_MS, USE_WITHIN_MS, Brew, DiaryEntry, DiaryKind, last_brew
from collector.domain.lab import Lab, PlaceKind
from collector.domain.units import show_duration
from collector.reports.pump import pump
from collector.store.reader import Reader
from collector.store.requests import BrewEnd, BrewRequest, BrewStart, BrewStrike

_MAINS = (
    "Mains power and water do not mix: pump and plugs above the water line, a drip loop, a residual-current device."
)


def add(parser: argparse.ArgumentParser) -> None:
    under = group(parser)
    starting = command(
        under,
        "start",
        "note that a brew has started: air on, compost in",
        f"traywarden brew start --at kettle --by 'class 4b'\n\n{_MAINS}\n{HANDS}",
        run_start,
    )
    _add_at(starting)
    add_when(starting, what="when it started; left out: now")
    add_by(starting)
    add_note(starting)
    command(
        under,
        "show",
        "show each brewer: running since, air, window, until when to use the tea",
        "traywarden brew show",
        run_show,
        listing=True,
    )
    ending = command(
        under,
        "end",
        "note that a brew is over: air off. When the tea is used, note that: traywarden diary add tea-used",
        f"traywarden brew end --at kettle --air-stopped 07:40 --by 'class 4b'\n\n{_MAINS}\n{TEA}\n{HANDS}",
        run_end,
    )
    _add_at(ending)
    add_when(ending, what="when it ended; left out: now")
    add_when(ending, "--air-stopped", "when the air stopped; left out: as the pump's readings show, else the end")
    add_by(ending)
    striking = command(
        under,
        "strike",
        "strike out a brew that was a slip; one ended by mistake is struck and started again with --when",
        "traywarden brew strike 3 --by teacher",
        run_strike,
    )
    striking.add_argument("number", type=int, metavar="N", help="its number in 'brew show'")
    add_by(striking)


def _add_at(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--at", required=True, metavar="BREWER", help="the brewer, such as kettle")


def run_start(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    lab = home.load_lab()
    started_ms = None if arguments.when is None else past_ms(arguments.when, system_now(), lab.time_zone)
    request = BrewStart(place=arguments.at, by=arguments.by, t_ms=started_ms, note=arguments.note)
    return submit(home, lab, request, (_MAINS, HANDS))


def run_end(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    lab, now_ms = home.load_lab(), system_now()
    ended_ms = None if arguments.when is None else past_ms(arguments.when, now_ms, lab.time_zone)
    if arguments.air_stopped is not None:
        stopped_ms: int | None = past_ms(arguments.air_stopped, now_ms, lab.time_zone, "--air-stopped")
    else:
        with Reader(home.database) as reader:
            brew = rehearsed(reader, lab, now_ms).last_brew(arguments.at)
            stopped_ms = None if brew is None else pump(reader, brew.place, brew.started_ms, ended_ms or now_ms)[1]
    request = BrewEnd(place=arguments.at, by=arguments.by, t_ms=ended_ms, air_stopped_ms=stopped_ms)
    return submit(home, lab, request, (_MAINS, TEA, HANDS))


def run_strike(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    return submit(home, home.load_lab(), BrewStrike(number=arguments.number, by=arguments.by))


def run_show(arguments: argparse.Namespace) -> int:
    home = home_of(arguments)
    now_ms, lab = system_now(), lab_or_none(home)
    local = local_of(lab)
    with Reader(home.database) as reader:
        brews, entries = reader.brews(), reader.diary()
        waiting = [row for row in reader.pending_requests() if isinstance(row.request, BrewRequest)]
        found = [(place, _View.of(reader, last_brew(brews, place), entries, now_ms)) for place in _places(lab, brews)]
    if arguments.json:
        say_json([{"at": place, **(view.as_json() if view else {"state": "none"})} for place, view in found])
        return 0
    if any(view for _, view in found):
        say(local.heading)
    for place, view in found:
        for line in view.lines(local) if view else [f"{place}: no brew noted"]:
            say(line)
    if not found:
        say("lab.yaml has no brewer")
    if waiting:
        say(f"{len(waiting)} more wait for the collector to take them up")
    return 0


def _places(lab: Lab | None, brews: list[Brew]) -> list[str]:
    """The brewers of the lab, and those that only the journal remembers."""
    places = [place.id for place in lab.places if place.kind is PlaceKind.BREWER] if lab is not None else []
    return list(dict.fromkeys([*places, *(brew.place for brew in brews if brew.struck_ms is None)]))


class _View:
    """One brew as it stands at a moment."""

    def __init__(
        self, brew: Brew, air_on: bool | None, stopped_ms: int | None, used: DiaryEntry | None, now_ms: int
    ) -> None:
        self.brew = brew
        self.air_on = air_on
        self.stopped_ms = stopped_ms
        self.used = used
        self.now_ms = now_ms
        self.window_ms = _after(brew.started_ms, BREW_WINDOW_MS)
        self.use_ms = None if stopped_ms is None else _after(stopped_ms, USE_WITHIN_MS)

    @staticmethod
    def of(reader: Reader, brew: Brew | None, entries: list[DiaryEntry], now_ms: int) -> "_View | None":
        if brew is None:
            return None
        air_on, stopped_ms = (
            pump(reader, brew.place, brew.started_ms, now_ms) if brew.running else (False, brew.air_stopped_ms)
        )
        uses = [e for e in entries if e.kind is DiaryKind.TEA_USED and e.place == brew.place and e.struck_ms is None]
        used = next((entry for entry in uses if stopped_ms is not None and entry.t_ms >= stopped_ms), None)
        return _View(brew, air_on, stopped_ms, used, now_ms)

    def as_json(self) -> dict[str, Any]:
        brew = self.brew
        use_by, discard = self.use_ms or (None, None)
        return {
            "state": "running" if brew.running else "ended",
            "number": brew.id,
            "started": iso(brew.started_ms),
            "by": brew.by,
            "note": brew.note,
            "window_opens": iso(self.window_ms[0]),
            "window_closes": iso(self.window_ms[1]),
            "air": None if self.air_on is None else "on" if self.air_on else "off",
            "air_stopped": iso(self.stopped_ms),
            "ended": iso(brew.ended_ms),
            "ended_by": brew.ended_by,
            "use_by": iso(use_by),
            "discard_after": iso(discard),
            "tea_used": iso(self.used.t_ms) if self.used is not None else None,
        }

    def lines(self, local: Local) -> list[str]:
        """For people."""
        brew = self.brew
        ran_ms = (self.now_ms if brew.ended_ms is None else brew.ended_ms) - brew.started_ms
        since = f"since {local.time(brew.started_ms)} ({show_duration(ran_ms)}), by {brew.by}"
        if brew.ended_ms is not None:
            since = f"ended {local.time(brew.ended_ms)} after {show_duration(ran_ms)}, by {brew.ended_by}"
        found = [f"{brew.place}: brew {brew.id} {'running ' if brew.running else ''}{since}"]
        if brew.note:
            found.append(f"  note    {brew.note}")
        if brew.running:
            found.append(f"  window  {self._window(local)}")
        found.append(f"  air     {self._air(local)}")
        if self.use_ms is not None:
            found.append(f"  tea     {self._tea(self.use_ms, local)}")
        return found

    def _window(self, local: Local) -> str:
        opens, closes = self.window_ms
        if self.now_ms < opens:
            return f"opens at {local.time(opens)}, in {show_duration(opens - self.now_ms)}"
        if self.now_ms < closes:
            return f"open until {local.time(closes)}, {show_duration(closes - self.now_ms)} left"
        return f"closed since {local.time(closes)}; end the brew"

    def _air(self, local: Local) -> str:
        if self.air_on is None:
            return "no pump readings; say it with: traywarden brew end --air-stopped"
        if self.air_on:
            return "on, by the pump's readings"
        return "off" if self.stopped_ms is None else f"off since {local.time(self.stopped_ms)}"

    def _tea(self, use_ms: tuple[int, int], local: Local) -> str:
        use_by, discard = use_ms
        if self.used is not None:
            return f"used at {local.time(self.used.t_ms)}"
        if self.now_ms < use_by:
            return f"use it by {local.time(use_by)}, {show_duration(use_by - self.now_ms)} left"
        if self.now_ms < discard:
            return f"should have been used by {local.time(use_by)}; not after {local.time(discard)}"
        return f"too old since {local.time(discard)}: pour it away where nothing is eaten"


def _after(t_ms: int, both_ms: tuple[int, int]) -> tuple[int, int]:
    return t_ms + both_ms[0], t_ms + both_ms[1]
