"""A real mail server on loopback that keeps what it takes, and answers as a test tells it to."""

import asyncio
import socket
import ssl
from collections import defaultdict, deque
from collections.abc import Mapping
from dataclasses import dataclass
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import SMTP as STRICT_LINES
from types import TracebackType
from typing import Any, Literal

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

from tests.services.certificates import ServerFiles

DROP = "drop the connection"
"""An answer: none, the connection ends instead."""
HANG = "say nothing"
"""An answer: none, the connection stays until the client gives up."""

Command = Literal["MAIL", "RCPT", "DATA"]


@dataclass(frozen=True, slots=True)
class Received:
    """One message that came in whole. `answer` is what the sender was told."""

    sender: str
    recipients: tuple[str, ...]
    content: bytes
    answer: str

    @property
    def message(self) -> EmailMessage:
        """Read by the standard library, which raises for every defect it knows."""
        parsed = message_from_bytes(self.content, policy=STRICT_LINES.clone(raise_on_defect=True))
        assert isinstance(parsed, EmailMessage)
        return parsed


class SmtpServer:
    """Starts at `with` or `start`; `stop` and `start` again keep the port, as a server that was down for a while.

    `files` holds the certificate for `starttls` and `tls`; `users` the passwords by user name, without which mail is
    refused.
    """

    def __init__(
        self,
        security: Literal["none", "starttls", "tls"] = "none",
        *,
        files: ServerFiles | None = None,
        users: Mapping[str, str] | None = None,
    ) -> None:
        self.host = "127.0.0.1"
        self.port = 0
        self.messages: list[Received] = []
        """Every message whose text came in whole, whatever was answered."""
        self.logins: list[str] = []
        """User names that tried, right or wrong."""
        self.connections = 0
        self._security = security
        self._files = files
        self._users = users
        self._once: dict[str, deque[str]] = defaultdict(deque)
        self._refused: dict[str, str] = {}
        self._controller: _Controller | None = None

    def answer(self, command: Command, *answers: str) -> None:
        """Answer the next commands of this kind so ('451 4.3.0 later', DROP, HANG), then as usual again."""
        self._once[command].extend(answers)

    def refuse(self, recipient: str, answer: str = "550 5.1.1 no such mailbox") -> None:
        """Answer so whenever this recipient is named."""
        self._refused[recipient] = answer

    @property
    def accepted(self) -> list[Received]:
        """The messages whose sender was told that they were taken."""
        return [received for received in self.messages if received.answer.startswith("250")]

    def start(self) -> "SmtpServer":
        context = self._context()
        options: dict[str, Any] = {"tls_context": context} if self._security == "starttls" else {}
        self._controller = _Controller(
            _Handler(self),
            self.port,
            ssl_context=context if self._security == "tls" else None,
            server_hostname="mail.quillbrook.example",
            authenticator=self._authenticate,
            auth_require_tls=self._security == "starttls",
            **options,
        )
        self._controller.start()
        self.port = self._controller.port
        return self

    def stop(self) -> None:
        if self._controller is not None:
            self._controller.stop()
            self._controller = None

    def __enter__(self) -> "SmtpServer":
        return self.start()

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.stop()

    def _context(self) -> ssl.SSLContext | None:
        if self._files is None:
            assert self._security == "none", "TLS needs a certificate"
            return None
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(self._files.cert_file, self._files.key_file)
        return context

    def _authenticate(self, _server: SMTP, _session: Session, _envelope: Envelope, _how: str, data: Any) -> AuthResult:
        assert isinstance(data, LoginPassword)
        name = data.login.decode()
        self.logins.append(name)
        right = self._users is not None and self._users.get(name) == data.password.decode()
        return AuthResult(success=right, handled=False)

    def next_answer(self, command: Command, usual: str) -> str:
        waiting = self._once[command]
        return waiting.popleft() if waiting else usual

    def refusal(self, recipient: str) -> str | None:
        return self._refused.get(recipient)

    @property
    def offers_login(self) -> bool:
        return self._users is not None

    def needs_login(self, session: Session) -> bool:
        return self._users is not None and not session.authenticated


class _Controller(Controller):
    """Binds the socket itself: port 0 is then a free one, with nobody in between to take it."""

    def __init__(self, handler: "_Handler", port: int, **options: Any) -> None:
        super().__init__(handler, "127.0.0.1", port, **options)

    def _create_server(self) -> Any:
        # Named as TCP, or asyncio leaves Nagle's algorithm on, which costs 40 ms a conversation.
        listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(("127.0.0.1", self.port))
        self.port = listening.getsockname()[1]
        return self.loop.create_server(self._factory_invoker, sock=listening, ssl=self.ssl_context)


class _Handler:
    """The hooks aiosmtpd calls for each command."""

    def __init__(self, owner: SmtpServer) -> None:
        self._owner = owner

    async def handle_EHLO(
        self, _server: SMTP, session: Session, _envelope: Envelope, hostname: str, answers: list[str]
    ) -> list[str]:
        self._owner.connections += 1
        session.host_name = hostname
        return [answer for answer in answers if self._owner.offers_login or not answer.startswith("250-AUTH")]

    async def handle_MAIL(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        usual = "530 5.7.0 log in first" if self._owner.needs_login(session) else "250 OK"
        answer = self._owner.next_answer("MAIL", usual)
        if answer.startswith("250"):
            envelope.mail_from = address
            envelope.mail_options.extend(options)
        return await _given(server, answer)

    async def handle_RCPT(
        self, server: SMTP, _session: Session, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        answer = self._owner.refusal(address) or self._owner.next_answer("RCPT", "250 OK")
        if answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        return await _given(server, answer)

    async def handle_DATA(self, server: SMTP, _session: Session, envelope: Envelope) -> str:
        answer = self._owner.next_answer("DATA", "250 OK")
        content = envelope.original_content or b""
        self._owner.messages.append(Received(envelope.mail_from or "", tuple(envelope.rcpt_tos), content, answer))
        return await _given(server, answer)


async def _given(server: SMTP, answer: str) -> str:
    if answer == HANG:
        await asyncio.Event().wait()  # ends when the client leaves or the server stops
    if answer == DROP:
        assert isinstance(server.transport, asyncio.Transport)
        server.transport.abort()
        raise asyncio.CancelledError
    return answer
