"""Chat by apprise, in a process of its own (see `chat_child`). Each address holds a secret, so people, logs and the
outbox only see its name."""

import hashlib
import re
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TypeVar

import msgspec

from collector.delivery.bounded import Deadline
from collector.delivery.chat_child import GO, Heard, Loaded, Order, sender_for
from collector.delivery.port import OutboxRow, PermanentFailure, TemporaryFailure, Unconfirmed, Unreachable
from collector.delivery.servers import ChatAddresses
from collector.letters.plain import one_line

DEADLINE_S = 120.0
"""For one message from its beginning to the service's last answer, loading apprise on a small board included."""
_LINE = 4_096
"""Bytes of a line from the child at most."""
_CLEARED_BY_WAITING = (408, 425, 429)
"""4xx answers that ask to come back later (RFC 9110 section 15.5.9, RFC 8470 section 5.2, RFC 6585 section 4)."""
_ROOT = Path(__file__).resolve().parents[2]
"""Where this program's packages are."""


def chat_addresses(settings: ChatAddresses) -> dict[str, str]:
    """Outbox recipient -> address, in their order. The recipient is the name the settings give, else one made from the
    address: 'json-3fa9c1', the same as long as the address is."""
    names = settings.names or ("",) * len(settings.urls)
    found: dict[str, str] = {}
    for name, url in zip(names, settings.urls, strict=True):
        found.setdefault(name or chat_name(url), url)
    return found


def chat_names(settings: ChatAddresses) -> tuple[str, ...]:
    """The outbox recipients of the chat addresses, in their order.

    One message for each, so that a retry to one is not a repeat to the others.
    """
    return tuple(chat_addresses(settings))


def chat_name(url: str) -> str:
    """A name for people and the outbox that does not give the address away."""
    scheme = re.match(r"[a-z][a-z0-9+]{0,19}(?=://)", url)
    return f"{scheme[0] if scheme else 'chat'}-{hashlib.sha256(url.encode()).hexdigest()[:6]}"


def chat_faults(settings: ChatAddresses) -> tuple[str, ...]:
    """The addresses that apprise cannot read, one line each; nothing is sent."""
    return tuple(str(_unreadable(name)) for name, url in chat_addresses(settings).items() if sender_for(url) is None)


def _unreadable(name: str) -> PermanentFailure:
    return PermanentFailure(f"chat {name}: apprise cannot read this address; see TRAYWARDEN_CHAT__URLS")


class ChatCarrier:
    """Chat through apprise, which is loaded only once there is something to say, and goes with its process."""

    def __init__(self, settings: ChatAddresses, deadline_s: float = DEADLINE_S, command: Sequence[str] = ()) -> None:
        """`command` runs `chat_child` for one message; empty: as this program does."""
        self._urls = chat_addresses(settings)
        self._deadline_s = deadline_s
        self._command = command or _own_command()

    def deliver(self, row: OutboxRow, before_data: Callable[[], None]) -> str:
        """Raises PermanentFailure for an address that is unknown or unreadable and for what the service refuses for
        good (4xx), Unconfirmed where the message left and no answer came, else TemporaryFailure."""
        name, url = row.recipient, self._urls.get(row.recipient)
        if url is None:
            raise PermanentFailure(
                f"chat {one_line(name, 60)} is no longer in TRAYWARDEN_CHAT__URLS; put it back there, or take "
                "it out of lab.yaml"
            )
        with _child(self._command, self._deadline_s) as child:
            child.tell(msgspec.json.encode(Order(url=url, title=row.subject, body=row.body)))
            loaded = child.heard(Loaded)
            if loaded is None:
                raise TemporaryFailure(f"chat {name}: apprise could not be started here")
            if not loaded.readable:
                raise _unreadable(name)
            before_data()
            child.tell(GO.encode())
            heard = child.heard(Heard) or Heard(cut_off=True)
        if not heard.taken:
            raise failure_of(name, heard)
        return f"chat {name} took it"


def failure_of(name: str, heard: Heard) -> PermanentFailure | TemporaryFailure | Unconfirmed:
    """What became of a message that apprise could not hand over, by the answers its services logged."""
    if heard.took_some:
        return Unconfirmed(f"chat {name}: some of its addressees took the message and others did not")
    if heard.status is None:
        if heard.cut_off:
            return Unconfirmed(f"chat {name}: no answer came after the message went out; it may have arrived")
        if heard.unreachable:
            return Unreachable(f"chat {name}: the service cannot be reached")
        return TemporaryFailure(f"chat {name}: the service did not take the message")
    line = f"chat {name}: the service answered {heard.status}"
    if 400 <= heard.status < 500 and heard.status not in _CLEARED_BY_WAITING:
        hint = "; see its address in TRAYWARDEN_CHAT__URLS" if heard.status in (401, 403, 404, 410) else ""
        return PermanentFailure(line + hint)
    return TemporaryFailure(line)


_Told = TypeVar("_Told", bound=msgspec.Struct)


class Child:
    """The process, which ends at its deadline whatever it waits for."""

    def __init__(self, process: "subprocess.Popen[bytes]", to: IO[bytes], back: IO[bytes]) -> None:
        self.process, self._to, self._back = process, to, back

    def tell(self, line: bytes) -> None:
        """One line; a child that is gone hears nothing."""
        try:
            self._to.write(line + b"\n")
            self._to.flush()
        except OSError:
            pass

    def heard(self, kind: type[_Told]) -> _Told | None:
        """Its next line; None where it ended without one."""
        try:
            return msgspec.json.decode(self._back.readline(_LINE), type=kind)
        except (OSError, msgspec.MsgspecError):
            return None


def _own_command() -> list[str]:
    # Not -m, whose search would begin in whatever folder we were started in.
    run = f"import sys; sys.path.insert(0, {str(_ROOT)!r}); from collector.delivery.chat_child import main; main()"
    return [sys.executable, "-P", "-c", run]


@contextmanager
def _child(command: Sequence[str], deadline_s: float) -> Iterator[Child]:
    process = subprocess.Popen(  # noqa: S603  ourselves
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        assert process.stdin is not None  # noqa: S101  both are pipes
        assert process.stdout is not None  # noqa: S101
        with Deadline(deadline_s) as deadline:
            deadline.watch(process.kill)
            yield Child(process, process.stdin, process.stdout)
    finally:
        process.kill()
        process.communicate()
