"""`traywarden board`: serve the page that the links in messages lead to, until told to stop."""

import argparse
import os
import time

from collector.board.desk import JournalLinkDesk
from collector.cli.board_start import board_notes, serving_of
from collector.cli.common import home_of
from collector.cli.log_lines import add_loudness, log_of
from collector.cli.parsing import takes
from collector.cli.signals import on_stop_signals
from collector.config.clock import system_now
from collector.config.settings import load_settings
from collector.domain.problems import wrong
from collector.store.reader import Reader
from collector.watch.service_manager import ServiceManager


def add(parser: argparse.ArgumentParser) -> None:
    takes(parser, "TRAYWARDEN_SECRETS_DIR=/etc/traywarden/secrets traywarden board --home ~/traywarden", run)
    add_loudness(parser)


def run(arguments: argparse.Namespace) -> int:
    home, board, log = home_of(arguments), load_settings().board, log_of(arguments)
    if board.link_secret is None:
        wrong("TRAYWARDEN_BOARD__LINK_SECRET is not set; the board and the collector need the same one")
    if home.database.exists():
        with Reader(home.database):
            pass  # not ours: said before anything listens
    else:
        log("the collector has not run yet: pages say so until there is a journal")
    manager = ServiceManager(os.environ, os.getpid(), time.monotonic)
    desk = JournalLinkDesk(home, board.link_secret, system_now, log)
    serving = serving_of(desk, board, log, lambda: manager.turned(writable=True))
    for line in board_notes(board):
        log.warning(line)
    if not board.url:
        log("TRAYWARDEN_BOARD__URL is not set: messages hold no links to here")
    log(f"the board listens on {board.host}, port {serving.port}")
    on_stop_signals(serving.stop)  # what the server's own handlers do while it runs, and before and after that
    manager.says(f"listens on {board.host}, port {serving.port}")
    serving.run()
    log("the board has stopped")
    return 0
