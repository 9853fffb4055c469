"""What the pages need of the rest: given by whoever starts them, so that this room knows no journal and no mail.

Errors by what the page does next:

LinkWrong    say why the link cannot be used
NotNow       say the one line, and to try again
"""

from dataclasses import dataclass
from typing import Protocol


class LinkWrong(Exception):
    """A link that is broken, or (`expired`) was good once; the text is one line."""

    def __init__(self, text: str, expired: bool = False) -> None:
        self.expired = expired
        super().__init__(text)


class NotNow(Exception):
    """It cannot be read or noted at present; the text is one line that says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmPage:
    """One occurrence of one alarm in words, as it is at this moment."""

    lab: str
    where: str
    what: str
    since: str
    priority: str
    """In words: 'high: act within 4 h, by 12:00'."""
    level: str
    """'high', 'medium' or 'low' while it needs a person, else empty: then the page is grey."""
    state: tuple[str, ...]
    """What is now, a sentence each."""
    button: str = ""
    """What the button says; empty: there is nothing to press."""
    role: str = ""
    """In whose name the button is pressed."""
    figures: tuple[tuple[str, str], ...] = ()
    """What is so now, as the mail says it: ('Now', '31.2 °C at 09:40 (limit 30.0 °C)')."""
    to_do: str = ""
    """What the mail says: amounts and cautions, a line each."""
    why: tuple[tuple[str, str], ...] = ()
    """What comes of it, and where the number comes from."""
    waiting: bool = False
    """Pressed, and not yet taken up by the collector: the page looks again by itself."""


class LinkDesk(Protocol):
    """Called from several threads."""

    def look(self, token: str) -> AlarmPage:
        """Changes nothing. Raises LinkWrong, NotNow."""

    def acknowledge(self, token: str) -> str:
        """Leave the acknowledgement and wait a moment for the collector; '' where the page now says how it is, else
        one line on why it was not done. Raises LinkWrong, NotNow."""
