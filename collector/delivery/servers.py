"""How mail and chat are reached: plain values, whose secrets are not shown."""

from dataclasses import dataclass, field
from typing import Literal

from collector.config.settings import Settings

Security = Literal["none", "starttls", "tls"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MailServer:
    """The mail server that takes our messages."""

    host: str
    port: int = 587
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    security: Security = "starttls"
    sender: str = "traywarden@localhost"
    ca_file: str | None = None
    """Trust the certificates in this file instead of the system's."""
    timeout_s: float = 15.0
    """Patience with each answer but the last."""
    last_answer_s: float = 120.0
    """Patience with the answer to the message itself. Longer, since giving up here leaves it unconfirmed: RFC 5321
    section 4.5.3.2.6 allows a server ten minutes; two keep other people's messages from waiting too long."""

    session_s: float = 300.0
    """Longest that handing over one message may take in all, a picture over a slow line included."""

    @property
    def where(self) -> str:
        """The server as people read it."""
        return f"mail server {self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class ChatAddresses:
    """Chat addresses in the form apprise takes; each holds a secret."""

    urls: tuple[str, ...] = field(default=(), repr=False)
    names: tuple[str, ...] = ()
    """One for each address, '' where it has none of its own; empty: none has."""


def mail_server_of(settings: Settings) -> MailServer | None:
    """The mail server, or None where mail goes to files."""
    mail = settings.mail
    if not mail.host:
        return None
    return MailServer(
        host=mail.host,
        port=mail.port,
        username=mail.username,
        password=mail.password.get_secret_value() if mail.password is not None else None,
        security=mail.security,
        sender=mail.sender,
        ca_file=str(mail.ca_file) if mail.ca_file is not None else None,
    )


def chat_addresses_of(settings: Settings) -> ChatAddresses:
    """The chat addresses of the settings, in their order."""
    named = settings.chat.named()
    return ChatAddresses(tuple(url for _, url in named), tuple(name for name, _ in named))
