"""Runs the uplink's thread where one is set up; its code, and the library it uses, are loaded only then."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from collector.config.clock import Now
from collector.config.home import Home
from collector.config.settings import Settings
from collector.domain.lab import Lab

_ENDS_WITHIN_S = 30


@contextmanager
def uplinking(home: Home, settings: Settings, lab: Lab, now: Now, log: Callable[[str], None]) -> Iterator[None]:
    """The uplink follows the journal inside the block; nothing happens where none is set up. The journal must have been
    opened before, which upgrades it. At the end the portion on its way may end, for a while."""
    if not settings.uplink.url:
        yield
        return
    from collector.uplink.destination import destination_of
    from collector.uplink.follower import Follower
    from collector.uplink.points import Origin
    from collector.uplink.queue import UplinkStore
    from collector.uplink.writer import InfluxWriter

    ended = threading.Event()
    wanted = destination_of(settings.uplink)

    def follow() -> None:
        writer = InfluxWriter(wanted)
        try:
            with UplinkStore(home.database) as store:
                origin = Origin(wanted.lab or lab.name, wanted.site)
                Follower(store, writer, origin, now, log, wanted.every_s).run(ended)
        except Exception as error:  # noqa: BLE001  the collector goes on without it
            log(f"uplink ended by a mistake in the program: {error!r:.300}")
        finally:
            writer.close()

    thread = threading.Thread(target=follow, name="uplink", daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join(_ENDS_WITHIN_S)
