"""`traywarden watch`: run the collector until told to stop."""

import argparse
import os
import signal
import time
from types import FrameType

from collector.cli.common import home_of
from collector.cli.log_lines import add_loudness, log_of
from collector.cli.parsing import takes
from collector.cli.signals import on_stop_signals
from collector.config.clock import system_now
from collector.config.settings import load_settings
from collector.watch.daemon import Daemon
from collector.watch.service_manager import ServiceManager


def add(parser: argparse.ArgumentParser) -> None:
    takes(parser, "TRAYWARDEN_MQTT__HOST=broker.local traywarden watch --home ~/traywarden", run)
    add_loudness(parser)


def run(arguments: argparse.Namespace) -> int:
    manager = ServiceManager(os.environ, os.getpid(), time.monotonic)
    daemon = Daemon(home_of(arguments), load_settings(), system_now, log_of(arguments), manager=manager)

    def read_again(_signal: int, _frame: FrameType | None) -> None:
        if on_terminal and not os.isatty(2):
            daemon.stop()  # the window it ran in was closed
        else:
            daemon.reload()

    on_terminal = os.isatty(2)
    on_stop_signals(daemon.stop)
    signal.signal(signal.SIGHUP, read_again)
    daemon.run()
    return 0
