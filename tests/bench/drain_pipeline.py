"""The collector as `watch` runs it, in a home of its own, until the journal holds all. Prints messages per s."""

import sys
import time
from collections.abc import Callable
from pathlib import Path

from collector.config.clock import system_now
from collector.config.home import Home
from collector.config.log import Log
from collector.config.settings import Mqtt, Settings
from collector.intake.session import LinkNews, LinkState
from collector.watch.daemon import Daemon
from collector.watch.observer import Observer


class _Timed(Observer):
    """Notes when the first message came and when the last one was acknowledged; then all of it is `done`."""

    def __init__(self, wanted: int) -> None:
        self.wanted, self.taken = wanted, 0
        self.began_s = self.ended_s = 0.0
        self.done: Callable[[], None] = lambda: None

    def linked(self, news: LinkNews) -> None:
        if news.link is LinkState.UP and not self.wanted:
            self.done()

    def began(self) -> None:
        self.began_s = self.began_s or time.perf_counter()

    def stored(self, messages: int) -> None:
        self.taken += messages
        if self.wanted and self.taken >= self.wanted:
            self.ended_s = self.ended_s or time.perf_counter()
            self.done()


def main(port: int, folder: Path, messages: int) -> float:
    timed = _Timed(messages)
    daemon = Daemon(
        Home(folder / "home"),
        Settings(mqtt=Mqtt(port=port, client_id="bench-pipeline")),
        system_now,
        Log(lambda _level, line: print(line, file=sys.stderr)),
        observer=timed,
    )
    timed.done = daemon.stop
    daemon.run()
    return timed.taken / (timed.ended_s - timed.began_s) if messages else 0.0


if __name__ == "__main__":
    print(main(int(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])))
