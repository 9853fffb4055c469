"""The collector's loop in a thread of the test, against a real broker, with its log as a list."""

import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from apscheduler.triggers.base import BaseTrigger

from collector.config.clock import Now, system_now
from collector.config.home import Home
from collector.config.settings import Heartbeat, JournalSettings, Mail, Mqtt, Settings
from collector.watch.daemon import Daemon
from collector.watch.observer import Observer
from tests.services.log_lines import log_to
from tests.services.waiting import wait_until


class InProcess:
    """`with InProcess(home, port) as watch:` runs until the block ends; what the loop raised is raised there."""

    def __init__(
        self,
        home: Path,
        port: int,
        *,
        keep_days: int = 730,
        now: Now = system_now,
        mail: Mail | None = None,
        heartbeat: Heartbeat | None = None,
        times: Mapping[str, BaseTrigger] | None = None,
        observer: Observer | None = None,
        steady: Callable[[], float] = time.monotonic,
        **mqtt: Any,
    ) -> None:
        settings = Settings(
            mqtt=Mqtt(port=port, **mqtt),
            mail=mail or Mail(),
            journal=JournalSettings(keep_days=keep_days),
            heartbeat=heartbeat or Heartbeat(),
        )
        self.log: list[str] = []
        self.daemon = Daemon(Home(home), settings, now, log_to(self.log), times=times, observer=observer, steady=steady)
        self.raised: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)

    def _run(self) -> None:
        try:
            self.daemon.run()
        except BaseException as error:  # noqa: BLE001  shown by the test
            self.raised = error

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def stop(self) -> None:
        """As a signal does; waits for the end."""
        self.daemon.stop()
        self._thread.join(40)
        assert not self._thread.is_alive()
        if self.raised is not None:
            raise self.raised

    def until(self, holds: Callable[[], object], what: str, timeout_s: float = 15.0) -> None:
        wait_until(lambda: self.raised is not None or holds(), what, timeout_s)
        if self.raised is not None:
            raise self.raised

    def until_said(self, words: str, times: int = 1) -> None:
        self.until(lambda: sum(words in line for line in list(self.log)) >= times, f"'{words}' in {self.log}")
