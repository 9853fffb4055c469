"""Chat by apprise. Each address holds a secret, so people, logs and the outbox only see its name."""

import hashlib
import logging
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from collector.delivery.port import OutboxRow, PermanentFailure, TemporaryFailure, Unconfirmed, Unreachable
from collector.delivery.servers import ChatSettings
from collector.letters.plain import one_line

_READ_TIMEOUT_S = 30.0
"""Patience with the answer, where the address sets none (`rto=`): giving up leaves the message unconfirmed."""
_CLEARED_BY_WAITING = (408, 425, 429)
"""4xx answers that ask to come back later (RFC 9110 section 15.5.9, RFC 8470 section 5.2, RFC 6585 section 4)."""
_STATUS = re.compile(r"error=(\d{3})\b")
"""How apprise's services log the status of an answer that was no success."""
_NOT_CONNECTED = re.compile(
    r"NewConnectionError|ConnectTimeout|NameResolutionError|SSLError|ProxyError|Connection refused"
)
"""What `requests` says where nothing of the message left."""


def chat_addresses(settings: ChatSettings) -> dict[str, str]:
    """Outbox recipient -> address, in their order. The recipient is the name the settings give, else one made from the
    address: 'json-3fa9c1', the same as long as the address is."""
    names = settings.names or ("",) * len(settings.urls)
    found: dict[str, str] = {}
    for name, url in zip(names, settings.urls, strict=True):
        found.setdefault(name or chat_name(url), url)
    return found


def chat_names(settings: ChatSettings) -> tuple[str, ...]:
    """The outbox recipients of the chat addresses, in their order.

    One message for each, so that a retry to one is not a repeat to the others.
    """
    return tuple(chat_addresses(settings))


def chat_name(url: str) -> str:
    """A name for people and the outbox that does not give the address away."""
    scheme = re.match(r"[a-z][a-z0-9+]{0,19}(?=://)", url)
    return f"{scheme[0] if scheme else 'chat'}-{hashlib.sha256(url.encode()).hexdigest()[:6]}"


def chat_faults(settings: ChatSettings) -> tuple[str, ...]:
    """The addresses that apprise cannot read, one line each; nothing is sent."""
    faults = []
    for name, url in chat_addresses(settings).items():
        try:
            _apprise(url, name)
        except PermanentFailure as failure:
            faults.append(str(failure))
    return tuple(faults)


class ChatCarrier:
    """Chat through apprise, which is loaded only once there is something to say: it takes a good part of our memory."""

    def __init__(self, settings: ChatSettings) -> None:
        self._urls = chat_addresses(settings)

    def deliver(self, row: OutboxRow, before_data: Callable[[], None]) -> str:
        """Raises PermanentFailure for an address that is unknown or unreadable and for what the service refuses for
        good (4xx), Unconfirmed where the message left and no answer came, else TemporaryFailure."""
        url = self._urls.get(row.recipient)
        if url is None:
            raise PermanentFailure(
                f"chat {one_line(row.recipient, 60)} is no longer in TRAYWARDEN_CHAT__URLS; put it back there, or take "
                "it out of lab.yaml"
            )
        sender = _apprise(url, row.recipient)
        before_data()
        with _overheard() as said:
            taken = bool(sender.notify(title=row.subject, body=row.body, body_format="text"))
        if not taken:
            raise _failure(row.recipient, said)
        return f"chat {row.recipient} took it"


def _failure(name: str, said: "_Overheard") -> PermanentFailure | TemporaryFailure | Unconfirmed:
    """What became of a message that apprise could not hand over, by the answers its services logged."""
    if said.took_some:
        return Unconfirmed(f"chat {name}: some of its addressees took the message and others did not")
    if said.status is None:
        if said.cut_off:
            return Unconfirmed(f"chat {name}: no answer came after the message went out; it may have arrived")
        if said.unreachable:
            return Unreachable(f"chat {name}: the service cannot be reached")
        return TemporaryFailure(f"chat {name}: the service did not take the message")
    line = f"chat {name}: the service answered {said.status}"
    if 400 <= said.status < 500 and said.status not in _CLEARED_BY_WAITING:
        hint = "; see its address in TRAYWARDEN_CHAT__URLS" if said.status in (401, 403, 404, 410) else ""
        return PermanentFailure(line + hint)
    return TemporaryFailure(line)


class _Overheard(logging.Handler):
    """Keeps of apprise's log what it means and none of its words, which may hold parts of the address."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.status: int | None = None
        """The last answer that was no success."""
        self.took_some = False
        self.cut_off = False
        self.unreachable = False

    def emit(self, record: logging.LogRecord) -> None:
        try:
            text = record.getMessage()
        except Exception:  # noqa: BLE001  a slip in somebody's log line is not ours to tell
            return
        found = _STATUS.search(text)
        if found is not None:
            self.status = int(found[1])
        if record.levelno == logging.INFO and text.startswith("Sent "):
            self.took_some = True
        if text.startswith("Socket Exception"):
            unreachable = _NOT_CONNECTED.search(text) is not None
            self.unreachable |= unreachable
            self.cut_off |= not unreachable


@contextmanager
def _overheard() -> Iterator[_Overheard]:
    """What apprise logs meanwhile goes here and nowhere else."""
    logger, listener = logging.getLogger("apprise"), _Overheard()
    propagate, logger.propagate = logger.propagate, False
    logger.setLevel(logging.DEBUG)
    logger.addHandler(listener)
    try:
        yield listener
    finally:
        logger.removeHandler(listener)
        logger.setLevel(logging.CRITICAL + 1)
        logger.propagate = propagate


def _apprise(url: str, name: str) -> Any:
    """An apprise sender for one address."""
    logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)  # its warnings may hold parts of the address
    import apprise  # lazily, see ChatChannel

    sender = apprise.Apprise()
    if not sender.add(url):
        raise PermanentFailure(f"chat {name}: apprise cannot read this address; see TRAYWARDEN_CHAT__URLS")
    for service in sender:
        if "rto=" not in url:
            service.socket_read_timeout = _READ_TIMEOUT_S
    return sender
