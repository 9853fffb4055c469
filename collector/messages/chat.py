"""Chat by apprise. Each address holds a secret, so people, logs and the outbox only see a name made from it."""

import hashlib
import logging
import re
from collections.abc import Callable
from typing import Any

from collector.messages.port import PermanentFailure, Row, TemporaryFailure
from collector.messages.settings import ChatSettings


def chat_names(settings: ChatSettings) -> tuple[str, ...]:
    """The outbox recipients of the chat addresses, in their order: 'slack-3fa9c1', the same as long as the address is.

    One message for each, so that a retry to one is not a repeat to the others.
    """
    return tuple(dict.fromkeys(chat_name(url) for url in settings.urls))


def chat_name(url: str) -> str:
    """A name for people and the outbox that does not give the address away."""
    scheme = re.match(r"[a-z][a-z0-9+]{0,19}(?=://)", url)
    return f"{scheme[0] if scheme else 'chat'}-{hashlib.sha256(url.encode()).hexdigest()[:6]}"


def chat_faults(settings: ChatSettings) -> tuple[str, ...]:
    """The addresses that apprise cannot read, one line each; nothing is sent."""
    faults = []
    for url in settings.urls:
        try:
            _apprise(url, chat_name(url))
        except PermanentFailure as failure:
            faults.append(str(failure))
    return tuple(faults)


class ChatChannel:
    """Chat through apprise, which is only loaded once there is something to say (it takes a good part of our memory).

    apprise does not say why something failed, nor whether it may have arrived after all: a chat message whose answer
    was lost on the way is sent again.
    """

    def __init__(self, settings: ChatSettings) -> None:
        self._urls = {chat_name(url): url for url in settings.urls}

    def deliver(self, row: Row, before_data: Callable[[], None]) -> None:
        url = self._urls.get(row.recipient)
        if url is None:
            raise PermanentFailure(f"chat {row.recipient} is no longer in TRAYWARDEN_CHAT__URLS")
        sender = _apprise(url, row.recipient)
        before_data()
        if not sender.notify(title=row.subject, body=row.body, body_format="text"):
            raise TemporaryFailure(f"chat {row.recipient}: the service did not take the message")


def _apprise(url: str, name: str) -> Any:
    """An apprise sender for one address."""
    logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)  # its warnings may hold parts of the address
    import apprise  # lazily, see ChatChannel

    sender = apprise.Apprise()
    if not sender.add(url):
        raise PermanentFailure(f"chat {name}: apprise cannot read this address; see TRAYWARDEN_CHAT__URLS")
    return sender
