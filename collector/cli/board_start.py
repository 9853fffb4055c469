"""What it takes to serve the pages, checked before anything listens."""

import ipaddress
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from collector.board.port import LinkDesk
from collector.config.log import Log
from collector.config.settings import Board
from collector.domain.problems import wrong

if TYPE_CHECKING:
    from collector.board.serving import Serving


def serving_of(desk: LinkDesk, board: Board, log: Log, turned: Callable[[], None] = lambda: None) -> "Serving":
    """Listens from now on. Raises Wrong where the port is taken, the host is not ours, or the extra is not there."""
    try:
        from collector.board.app import make_app
        from collector.board.serving import Serving, listen
    except ImportError as missing:
        wrong(f"the board needs {missing.name}, which is not installed; install what deploy/requirements.txt names")
    try:
        listening = listen(board.host, board.port)
    except OSError as error:
        names = "TRAYWARDEN_BOARD__HOST, TRAYWARDEN_BOARD__PORT"
        wrong(f"{names}: cannot listen on {board.host}, port {board.port}: {error.strerror or error}")
    return Serving(make_app(desk, time.monotonic, log, urlsplit(board.url).netloc), listening, turned)


def board_notes(board: Board) -> Iterator[str]:
    """What whoever sets it up should know."""
    if not on_loopback(board.host):
        yield (
            f"{board.host} is not loopback, and the board speaks plain HTTP: put a web server with TLS in front, "
            "since its links are keys"
        )
    elif board.url.startswith("http://") and not on_loopback(urlsplit(board.url).hostname or ""):
        yield "TRAYWARDEN_BOARD__URL is plain http: put a web server with TLS in front, since its links are keys"


def on_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
