"""The collector as `watch` runs it, in a home of its own, until the journal holds all. Prints messages per s."""

import sys
import time
from pathlib import Path

from paho.mqtt.client import MQTTMessage

from collector.config.clock import system_now
from collector.config.home import Home
from collector.config.settings import Mqtt, Settings
from collector.intake.session import Link, LinkNews
from collector.watch.daemon import Daemon


class _Timed(Daemon):
    """Notes when the first message came and when the commit of the last one was acknowledged; then stops."""

    wanted = 0
    taken = 0
    began = 0.0
    ended = 0.0

    def _message(self, message: MQTTMessage) -> None:
        self.taken += 1
        if not self.began:
            self.began = time.perf_counter()
        super()._message(message)

    def _news(self, news: LinkNews) -> None:
        super()._news(news)
        if news.link is Link.UP and not self.wanted:
            self.stop()

    def _commit(self) -> None:
        super()._commit()
        if self.wanted and self.taken >= self.wanted and not self._held:
            self.ended = self.ended or time.perf_counter()
            self.stop()


def main(port: int, folder: Path, messages: int) -> float:
    daemon = _Timed(
        Home(folder / "home"),
        Settings(mqtt=Mqtt(port=port, client_id="bench-pipeline")),
        system_now,
        lambda line: print(line, file=sys.stderr),
    )
    daemon.wanted = messages
    daemon.run()
    return daemon.taken / (daemon.ended - daemon.began) if messages else 0.0


if __name__ == "__main__":
    print(main(int(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])))
