"""The demo's parts: a broker inside this process, the simulator, the collector and a mail catcher, on one fast clock.

Nothing here is a stand-in for the collector: it is the same daemon as `watch`, talking MQTT to the broker and SMTP to
the catcher over loopback. Only the lab is invented.
"""

import secrets
import socket
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from email import message_from_bytes, policy
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import SecretStr

from collector.board.desk import PRESSED, JournalLinkDesk
from collector.cli import demo_people
from collector.cli.board_start import serving_of
from collector.cli.local import When
from collector.cli.output import iso
from collector.cli.status.values import status
from collector.config.clock import Now, scaled_now
from collector.config.home import Home
from collector.config.log import Log
from collector.config.settings import Board, Chat, Heartbeat, JournalSettings, Mail, Mqtt, Settings, Uplink
from collector.domain.problems import wrong
from collector.intake.session import LinkNews, LinkState
from collector.store.watch_state import STALE_MS
from collector.watch.daemon import Daemon
from collector.watch.observer import Observer

if TYPE_CHECKING:
    from sim_sensors.scenario import Scenario

PACE = 240.0
"""Four lab minutes a second."""
SCENARIO = "school-demo"
_SEED = 1
_TICK_LAG_MS = 500
"""Real time for readings on their way."""
_ENDS_WITHIN_S = 40
_CONNECTS_WITHIN_S = 10


@dataclass(frozen=True, slots=True)
class CaughtMail:
    """A mail as it arrived."""

    to: str
    subject: str
    body: str


class Catcher:
    """An SMTP server on loopback that keeps what it gets."""

    def __init__(self, on_mail: Callable[[CaughtMail], None]) -> None:
        self._on_mail = on_mail

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:
        """Called by aiosmtpd for each message."""
        message = message_from_bytes(envelope.content, policy=policy.default)
        text = message.get_body(("plain",))
        body = "" if text is None else text.get_content().replace("\r\n", "\n")  # as it was before it was mail
        self._on_mail(CaughtMail(", ".join(envelope.rcpt_tos), str(message["Subject"]), body))
        return "250 2.0.0 kept"


class _Clock:
    """Stands at the beginning of the story until it is let go, so that no reading is sent before somebody listens."""

    def __init__(self, start_ms: int, pace: float) -> None:
        self._start_ms, self._pace = start_ms, pace
        self._now: Now | None = None

    def go(self) -> None:
        self._now = scaled_now(self._start_ms, self._pace)

    def __call__(self) -> int:
        return self._start_ms if self._now is None else self._now()


@dataclass(frozen=True, slots=True)
class Demo:
    """A demo that runs. `trouble` collects what ended one of its parts early."""

    home: Home
    now: Now
    trouble: list[str]
    over: threading.Event
    """Set when the scenario has come to its end, or somebody wants it to end."""
    board: str
    """Where the pages are."""
    pace: float
    """How many times faster than real time."""


@contextmanager
def running_demo(
    on_mail: Callable[[CaughtMail], None],
    on_caption: Callable[[int, str], None],
    log: Log,
    pace: float = PACE,
    over: threading.Event | None = None,
) -> Iterator[Demo]:
    """Everything started on the way in and stopped in reverse order on the way out; the home folder is deleted.
    `on_caption` gets what happens in the lab, with its time, ms UTC; whoever sets `over` ends the waiting."""
    try:
        from aiosmtpd.controller import Controller
        from iotcore import Broker
    except ImportError as missing:
        wrong(f"the demo needs {missing.name}, which is not installed; start it with deploy/demo.sh")
    from sim_sensors.scenarios import lab_text, load

    scenario = load(SCENARIO)
    start_ms = scenario.start_ms or 0
    with ExitStack() as stack:
        home = Home(Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="traywarden-demo-"))))
        home.lab_file.write_text(lab_text(SCENARIO), encoding="utf-8")
        broker_port, mail_port, board_port = _free_port(), _free_port(), _free_port()
        broker = Broker(port=broker_port, listen="127.0.0.1")
        broker.start()
        stack.callback(broker.stop)
        catcher = Controller(Catcher(on_mail), hostname="127.0.0.1", port=mail_port)
        catcher.start()
        stack.callback(catcher.stop)
        secret = SecretStr(secrets.token_urlsafe(32))
        settings = _settings(broker_port, mail_port, board_port, secret)
        clock = _Clock(start_ms, pace)
        demo = Demo(home, clock, [], over or threading.Event(), settings.board.url, pace)
        stop = threading.Event()
        _start_collector(stack, demo, settings, secret, log)
        clock.go()
        _start(stack, demo, "simulator", lambda: _play(broker_port, demo, scenario, stop), stop.set)
        telling = demo_people.events(scenario, start_ms, home, on_caption)
        _start(stack, demo, "people", lambda: demo_people.act(telling, demo.now, pace, stop), stop.set)
        yield demo


def _settings(broker_port: int, mail_port: int, board_port: int, secret: SecretStr) -> Settings:
    """Each section given, whatever this machine's own settings say."""
    return Settings(
        mqtt=Mqtt(port=broker_port, version="3.1.1", client_id="traywarden-demo"),
        mail=Mail(host="127.0.0.1", port=mail_port, security="none", sender="traywarden@quillbrook.example"),
        chat=Chat(),
        journal=JournalSettings(),
        heartbeat=Heartbeat(),
        uplink=Uplink(),
        board=Board(port=board_port, url=f"http://127.0.0.1:{board_port}", link_secret=secret),
    )


class _FirstLink(Observer):
    """Waits for the collector to hear the broker."""

    def __init__(self) -> None:
        self.up = threading.Event()

    def linked(self, news: LinkNews) -> None:
        if news.link is LinkState.UP:
            self.up.set()


def _start_collector(stack: ExitStack, demo: Demo, settings: Settings, secret: SecretStr, log: Log) -> None:
    """The collector and its pages; returns once the collector hears the broker, or after a while."""
    link = _FirstLink()
    lag_ms = round(_TICK_LAG_MS * demo.pace)
    daemon = Daemon(demo.home, settings, demo.now, log, tick_lag_ms=lag_ms, pace=demo.pace, observer=link)
    desk = JournalLinkDesk(demo.home, secret, demo.now, log, replace(PRESSED, stale_ms=round(STALE_MS * demo.pace)))
    serving = serving_of(desk, settings.board, log)
    _start(stack, demo, "collector", daemon.run, daemon.stop)
    _start(stack, demo, "board", serving.run, serving.stop)
    link.up.wait(_CONNECTS_WITHIN_S)


def demo_status(demo: Demo, when: When = iso) -> dict[str, Any]:
    """As `status` has it, by the demo's present."""
    return status(demo.home, demo.home.load_lab(), demo.now(), round(STALE_MS * demo.pace), when=when)


def _start(stack: ExitStack, demo: Demo, name: str, work: Callable[[], None], end: Callable[[], None]) -> None:
    """Run `work` in a thread that `end` stops; what it raises ends the demo with one line."""

    def guarded() -> None:
        try:
            work()
        except Exception as error:  # noqa: BLE001  shown to the person who started the demo
            demo.trouble.append(f"{name}: {error}")

    thread = threading.Thread(target=guarded, name=name, daemon=True)
    thread.start()
    stack.callback(thread.join, _ENDS_WITHIN_S)
    stack.callback(end)


def _play(port: int, demo: Demo, scenario: "Scenario", stop: threading.Event) -> None:
    from sim_sensors.publisher import Publisher
    from sim_sensors.run import run

    packs = run(scenario, _SEED, scenario.start_ms or 0, scenario.length_ms)
    Publisher("127.0.0.1", port).play(packs, clock=demo.now, pace=demo.pace, stop=stop)
    demo.over.set()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_demo(demo: Demo, seconds: float | None, each: Callable[[], None], every_s: float) -> None:
    """Call `each` every now and then until `seconds` are over, the story is at its end or a part has failed."""
    ends = None if seconds is None else time.monotonic() + seconds
    while not demo.trouble and not demo.over.is_set():
        left_s = every_s if ends is None else min(every_s, ends - time.monotonic())
        if left_s <= 0:
            return
        if not demo.over.wait(left_s):
            each()
