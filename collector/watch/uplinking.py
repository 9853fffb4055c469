"""Runs the uplink's thread where one is set up; its code, and the library it uses, are loaded only then."""

import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager

from collector.config.clock import Now
from collector.config.home import Home
from collector.config.log import Log
from collector.config.settings import Settings, Uplink
from collector.delivery.bounded import give_up
from collector.domain.lab import Lab

_FINISH_S = 2.0
"""For a portion on its way when the uplink is to end: it goes out again if it was not taken."""


@contextmanager
def uplinking(home: Home, settings: Settings, lab: Lab, now: Now, log: Log) -> Iterator[None]:
    """The uplink follows the journal inside the block; nothing happens where none is set up. The journal must have been
    opened before, which upgrades it. At the end the portion on its way may end, for a while."""
    if not settings.uplink.url:
        yield
        return
    ended = threading.Event()

    def follow() -> None:
        try:
            _follow(home, settings.uplink, lab, now, log, ended)
        except Exception as error:  # noqa: BLE001  the collector goes on without it
            log.error(f"uplink ended by a mistake in the program: {error!r:.300}")

    thread = threading.Thread(target=follow, name="uplink", daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join(_FINISH_S)
        if thread.is_alive():
            give_up(thread)
            thread.join(_FINISH_S)


def _follow(home: Home, settings: Uplink, lab: Lab, now: Now, log: Log, ended: threading.Event) -> None:
    """Until `ended`; at once where a package is missing, which is told and stands in `uplink status`."""
    from collector.uplink.destination import destination_of, not_installed
    from collector.uplink.queue import UplinkStore

    with UplinkStore(home.database) as store:
        try:
            from collector.uplink.follower import Follower
            from collector.uplink.writer import InfluxWriter
        except ImportError as missing:
            log.error(f"uplink: {not_installed(missing)}")
            store.note(not_installed(missing))
            return
        wanted = destination_of(settings)
        with closing(InfluxWriter(wanted)) as writer:
            Follower(store, writer, wanted.tags(lab.name), now, log, wanted.every_s).run(ended)
