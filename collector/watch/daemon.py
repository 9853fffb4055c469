"""`watch`: the process that carries readings from the broker into the journal and alarms out to people.

    the process   lock, lab.yaml and rules, the sign of life, what others ask of it      here
    one run       connection, pipeline, journal, upkeep                                  run.py
    one batch     messages held, ids to acknowledge, a journal that cannot be written    commits.py

One thread reads, judges and commits; two send messages. A damaged journal is answered like a crash: close without
acknowledging, rebuild, connect. A changed lab.yaml ends one run and begins the next.
"""

import time
from collections.abc import Callable, Mapping

from apscheduler.triggers.base import BaseTrigger

from collector.config.changed_files import WatchedFiles
from collector.config.clock import Now
from collector.config.home import Home
from collector.config.log import Log
from collector.config.settings import Settings
from collector.store.errors import JournalCutOff, JournalDamaged, StoreError
from collector.store.homelock import HomeLock
from collector.store.repair.slow_check import SlowCheck
from collector.store.vocabulary import LAB_CHANGED
from collector.watch.assemble import assemble, pulse_of
from collector.watch.calls import Calls
from collector.watch.observer import Observer
from collector.watch.run import Run
from collector.watch.service_manager import SILENT, ServiceManager
from collector.watch.surroundings import Surroundings
from collector.watch.upkeep import usual_times
from collector.watch.uplinking import uplinking

TICK_LAG_MS = 5_000
"""Timers are let end this far behind the clock, so that a reading on its way is not overtaken by them."""


class Daemon:
    """One process. `log` gets one line per thing worth knowing; `now` is the only time of day."""

    def __init__(
        self,
        home: Home,
        settings: Settings,
        now: Now,
        log: Log,
        *,
        tick_lag_ms: int = TICK_LAG_MS,
        pace: float = 1.0,
        manager: ServiceManager = SILENT,
        times: Mapping[str, BaseTrigger] | None = None,
        observer: Observer | None = None,
        steady: Callable[[], float] = time.monotonic,
    ) -> None:
        """`pace`: how fast `now` runs against `steady`, a clock in seconds that never steps. `times`: another table of
        upkeep."""
        self._around = Surroundings(
            home=home,
            settings=settings,
            now=now,
            steady=steady,
            pace=pace,
            tick_lag_ms=tick_lag_ms,
            times=usual_times(pace) if times is None else times,
            log=log,
            manager=manager,
            observer=Observer() if observer is None else observer,
            pulse=pulse_of(settings, now, log),
            calls=Calls(),
            slow_check=SlowCheck(home.database),
        )

    def stop(self) -> None:
        """Ask the loop to end; safe from a signal handler or another thread."""
        self._around.calls.stop()

    def reload(self) -> None:
        """Ask the loop to read lab.yaml and the rules again; safe from a signal handler or another thread."""
        self.ask("reload")

    def ask(self, upkeep: str) -> None:
        """Ask for a piece of upkeep, by its name in the table, out of its time; as safe."""
        self._around.calls.ask(upkeep)

    def run(self) -> None:
        """Collect until `stop`, once. Raises Refused where lab.yaml or rules cannot be used, StoreError for the
        journal."""
        around = self._around
        folder = around.home.path
        with around.calls.wake:
            if not folder.is_dir():
                raise StoreError(f"{folder}: no such folder; make it with: traywarden init --home {folder}")
            with HomeLock(folder):
                files = WatchedFiles(around.home, around.log)
                around.pulse.start()
                try:
                    self._collect(files)
                finally:
                    around.manager.stopping()
                    around.pulse.close()

    def _collect(self, files: WatchedFiles) -> None:
        """One run after another."""
        why = damage = ""
        while not self._around.calls.stopping:
            try:
                again, damage = self._run_once(files, why, damage), ""
                why = LAB_CHANGED if again else ""
            except JournalCutOff as error:
                self._around.log(f"journal: {error}; opening it anew")
                why, damage = "", ""
            except JournalDamaged as error:
                self._around.log.error(
                    f"journal damaged: {error}; setting it aside and starting again from what can be read"
                )
                why, damage = "", error.reason

    def _run_once(self, files: WatchedFiles, why: str, damage: str) -> bool:
        """Whether another run should follow because of what changed."""
        around = self._around
        lab, settings = files.lab, around.settings
        parts = assemble(around, files, damage)
        try:
            run = Run(around, parts, files)
            parts.lanes.start()
            try:
                with uplinking(around.home, settings, lab, around.now, around.log):
                    return run.collect(why)
            finally:
                run.close()
        finally:
            parts.close()
