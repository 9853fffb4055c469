"""One chat message handed to apprise, in a process of its own: a service's answer costs no more than that process.

apprise reads an answer to its end, unpacks it, and waits for as long as a byte comes now and then; in a thread of the
collector that would take its memory or hold its other messages back. Here the system ends it.

Lines of JSON go both ways, by standard input and output, so that no address stands in a list of processes:

    in   {"url": ..., "title": ..., "body": ...}
    out  {"readable": true}                           apprise knows this kind of address
    in   go
    out  {"taken": ..., "status": ..., ...}           see Heard
"""

import logging
import re
import resource
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import msgspec

MOST_MEMORY = 400 * 1024 * 1024
"""Address space of the process; apprise with its services takes a quarter."""
READ_TIMEOUT_S = 30.0
"""Patience with the answer, where the address sets none (`rto=`): giving up leaves the message unconfirmed."""
GO = "go"
_STATUS = re.compile(r"error=(\d{3})\b")
"""How apprise's services log the status of an answer that was no success."""
_NOT_CONNECTED = re.compile(
    r"NewConnectionError|ConnectTimeout|NameResolutionError|SSLError|ProxyError|Connection refused"
)
"""What `requests` says where nothing of the message left."""


_BROKEN = ("Socket Exception", " raised an exception")
"""What apprise logs where the connection ended, and where an answer was more than its process can hold."""


class Order(msgspec.Struct, frozen=True, kw_only=True):
    """What is to be sent."""

    url: str
    title: str
    body: str


class Loaded(msgspec.Struct, frozen=True, kw_only=True):
    """Whether apprise can read the address."""

    readable: bool


class Heard(msgspec.Struct, frozen=True, kw_only=True):
    """What became of a message, by what apprise said and logged; no words, which may hold parts of the address."""

    taken: bool = False
    status: int | None = None
    """The last answer that was no success."""
    took_some: bool = False
    cut_off: bool = False
    unreachable: bool = False


class Listener(logging.Handler):
    """Follows apprise's log: its result says only yes or no."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.heard = Heard()

    def emit(self, record: logging.LogRecord) -> None:
        try:
            text = record.getMessage()
        except Exception:  # noqa: BLE001  a slip in somebody's log line is not ours to tell
            return
        found, heard = _STATUS.search(text), self.heard
        status = int(found[1]) if found is not None else heard.status
        sent = record.levelno == logging.INFO and text.startswith("Sent ")
        broken = any(sign in text for sign in _BROKEN)
        unreachable = broken and _NOT_CONNECTED.search(text) is not None
        self.heard = Heard(
            status=status,
            took_some=heard.took_some or sent,
            cut_off=heard.cut_off or (broken and not unreachable),
            unreachable=heard.unreachable or unreachable,
        )


def sender_for(url: str) -> Any | None:
    """An apprise sender for one address; None where apprise cannot read it."""
    logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)  # its warnings may hold parts of the address
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of modules that a later Python no longer has
        import apprise  # lazily: it takes a good part of our memory

    sender = apprise.Apprise()
    if not sender.add(url):
        return None
    for service in sender:
        if "rto=" not in url:
            service.socket_read_timeout = READ_TIMEOUT_S
    return sender


def notify(sender: Any, order: Order) -> Heard:
    """Hand the message over. Whatever happens on the way, the message may have left by then."""
    with _listening() as listener:
        try:
            taken = bool(sender.notify(title=order.title, body=order.body, body_format="text"))
        except Exception:  # noqa: BLE001  MemoryError among them: an answer that is too much
            return Heard(cut_off=True)
    return msgspec.structs.replace(listener.heard, taken=taken)


@contextmanager
def _listening() -> Iterator[Listener]:
    """What apprise logs meanwhile goes here and nowhere else."""
    logger, listener = logging.getLogger("apprise"), Listener()
    propagate, logger.propagate = logger.propagate, False
    logger.setLevel(logging.DEBUG)
    logger.addHandler(listener)
    try:
        yield listener
    finally:
        logger.removeHandler(listener)
        logger.setLevel(logging.CRITICAL + 1)
        logger.propagate = propagate


def main() -> int:
    """One message; ends quietly where the one who asked has gone."""
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, hard))
    order = msgspec.json.decode(sys.stdin.buffer.readline(), type=Order)
    sender = sender_for(order.url)
    _tell(Loaded(readable=sender is not None))
    if sender is not None and sys.stdin.readline().strip() == GO:
        _tell(notify(sender, order))
    return 0


def _tell(what: msgspec.Struct) -> None:
    sys.stdout.buffer.write(msgspec.json.encode(what) + b"\n")
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    sys.exit(main())
