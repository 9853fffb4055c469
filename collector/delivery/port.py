"""What delivery needs of others, and how a delivery can end.

Way          email, chat, file
OutboxRow    one waiting message, as the outbox hands it out
Outbox       the table of messages, kept by the journal
Carrier      hands messages over by one of the ways
NotDelivered what a carrier raises, by what the sender does next:
    TemporaryFailure    try again later
        Unreachable     and nothing else to this recipient until then
    PermanentFailure    give up at once and say so
    Unconfirmed         handed over, the answer never came: may have arrived, so it is never sent again
"""

from collections.abc import Callable
from enum import StrEnum
from typing import Protocol

from collector.letters.form.picture import Drawn


class NotDelivered(Exception):
    """One line for `status`: what went wrong and what would be right, without secrets."""


class TemporaryFailure(NotDelivered):
    """Nothing reached the person; trying again later is safe and may work."""


class Unreachable(TemporaryFailure):
    """No message would reach this recipient now."""


class PermanentFailure(NotDelivered):
    """This message will never get through as it stands."""


class Unconfirmed(NotDelivered):
    """The message may have arrived."""


class Way(StrEnum):
    """How a message reaches somebody: the `channel` of its row in the outbox."""

    EMAIL = "email"
    CHAT = "chat"
    FILE = "file"
    """Mail, where no mail server is set."""


class OutboxRow(Protocol):
    """One message of the outbox."""

    @property
    def id(self) -> int: ...
    @property
    def key(self) -> str:
        """The same for the same things told to the same recipient, however often it is made; else another."""
        ...

    @property
    def recipient(self) -> str: ...
    @property
    def channel(self) -> str:
        """One of `Way`."""
        ...

    @property
    def priority(self) -> str: ...
    @property
    def subject(self) -> str: ...
    @property
    def body(self) -> str: ...
    @property
    def html(self) -> str:
        """The same as `body`; empty: plain text alone."""
        ...

    @property
    def parents(self) -> tuple[str, ...]:
        """Keys of the messages it answers, the one to stand under first."""
        ...

    @property
    def picture(self) -> str:
        """What to draw, see `picture.wanted`; empty: nothing."""
        ...

    @property
    def created_ms(self) -> int: ...
    @property
    def attempts(self) -> int:
        """How often it has been marked as sending before."""
        ...


Draw = Callable[[OutboxRow], Drawn | None]
"""Draws what a row wants drawn; None where there is nothing to draw. Never raises."""


def no_picture(_row: OutboxRow) -> None:
    """Where there is nothing to draw from."""


class Outbox(Protocol):
    """Messages committed together with the alarms they tell of. Each call is one durable transaction; several threads
    may call.

    Where the database cannot be read or written a call raises, and nothing has changed then.
    """

    def take_next(self, now_ms: int, chat: bool | None = None, /) -> OutboxRow | None:
        """The next message that waits and is due: high priority first, then the oldest. None: nothing is due.
        `chat`: only chat messages (True) or only others (False).

        One that seems due only in some hours, longer than any wait, is due: the clock was set back since."""
        ...

    def next_due_ms(self, chat: bool | None = None, /) -> int | None:
        """When the next waiting message is due. None: none waits."""
        ...

    def mark_sending(self, number: int, /) -> None:
        """The next step may deliver it: from here on a crash leaves it unconfirmed."""
        ...

    def mark_sent(self, number: int, now_ms: int, /) -> None: ...
    def mark_waiting(self, number: int, next_ms: int, error: str, others: bool = False, /) -> None:
        """It surely did not go out; try again at `next_ms`. `others`: what else waits for this recipient no sooner."""
        ...

    def mark_failed(self, number: int, now_ms: int, error: str, /) -> None:
        """Given up."""
        ...

    def mark_unconfirmed(self, number: int, now_ms: int, error: str, /) -> None:
        """It may have gone out, and nobody can tell: never sent again."""
        ...


class Carrier(Protocol):
    """One way to reach people."""

    def deliver(self, row: OutboxRow, before_data: Callable[[], None]) -> str | None:
        """Hand one message over, or raise NotDelivered. Returns what was answered, one line for people.

        `before_data` is called once, after everything that can be refused without delivering and just before the step
        that may deliver. What it raises goes through to the caller, with nothing delivered.
        """
        ...
