"""Email: the message itself, and handing it to a mail server so that a crash can neither lose nor repeat it."""

import hashlib
import re
import smtplib
import ssl
from collections.abc import Callable
from email.errors import MessageError
from email.header import Header
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from typing import Any

from collector.delivery.port import Draw, OutboxRow, PermanentFailure, TemporaryFailure, Unconfirmed, no_picture
from collector.delivery.servers import MailServer
from collector.delivery.smtp_session import close_session, explain, open_session, said
from collector.letters.form.html import with_picture
from collector.letters.form.picture import Drawn
from collector.letters.local_time import utc
from collector.letters.plain import one_line, visible

_LOGIN_NEEDED = (530, 534, 535, 538)
"""RFC 4954 section 6: the settings are wrong, not the recipient."""


_ADDRESS = re.compile(
    r"(?:(?P<name>[^<>@]*)<)?(?P<local>[A-Za-z0-9!#$%&'*+/=?^_`{|}~.-]+)@(?P<domain>[^\s@<>()\[\]\\,;:\"]+)(?(name)>)"
)
"""One address, with or without a name before it: dot-atom of RFC 5322 section 3.2.3; no comments, lists or routes."""
_POLICY = SMTP.clone(refold_source="none")
"""Headers set raw go out as they were set: folding would encode a message id that is longer than a line."""
_CTE = "quoted-printable"
"""Every server takes it, 8BITMIME or not."""
_MOST_PARENTS = 20
_NO_ADDRESS = "'{}' is no email address; write it like role@school.example"


def build_message(row: OutboxRow, sender: str, lab_name: str, drawn: Drawn | None = None) -> EmailMessage:
    """The email for one row of the outbox; the same row and picture always give the same one.

    Raises PermanentFailure where an address cannot be used. No text of the row can add a header or a recipient.
    """
    origin = sender_address(sender)
    message = EmailMessage(policy=_POLICY)
    message["From"] = origin
    message["To"] = _recipient_address(row.recipient)
    message.set_raw("Subject", _encoded(one_line(row.subject, 200)))
    message["Date"] = utc(row.created_ms)
    message["Message-ID"] = _message_id(row.key, lab_name, origin)
    _thread(message, [_message_id(key, lab_name, origin) for key in row.parents if key != row.key])
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: holiday notices and the like do not answer it
    message.set_content(_safe(row.body), charset="utf-8", cte=_CTE)
    if row.html:
        _add_html(message, row, origin, lab_name, drawn)
    return message


def _safe(text: str) -> str:
    return "\n".join(visible(line) for line in text.split("\n"))


def _add_html(message: EmailMessage, row: OutboxRow, origin: Address, lab_name: str, drawn: Drawn | None) -> None:
    """The page as the richer alternative, with the picture inside it (RFC 2046 section 5.1.4, RFC 2387)."""
    name = _digest(row.key, lab_name)
    content_id = f"{name[:16]}.png@{origin.domain}" if drawn is not None else ""
    page = with_picture(_safe(row.html), content_id, one_line(drawn.words, 400) if drawn is not None else "")
    message.add_alternative(page, subtype="html", charset="utf-8", cte=_CTE)
    message.set_boundary(f"=_{name}")  # the sequence '=_' is in no quoted-printable and no base64 text
    if drawn is None:
        return
    related: Any = list(message.iter_parts())[1]
    shown = {"disposition": "inline", "filename": "last-days.png"}
    related.add_related(drawn.png, maintype="image", subtype="png", cid=f"<{content_id}>", **shown)
    related.set_param("type", "text/html")
    related.set_boundary(f"=_{name}.related")


def _message_id(key: str, lab_name: str, origin: Address) -> str:
    return f"<{_digest(key, lab_name)}@{origin.domain}>"


def _thread(message: EmailMessage, parents: list[str]) -> None:
    """Which messages this one answers (RFC 5322 section 3.6.4); mail programs put it under the last of the references.

    One to a line, since the message's own folding would encode a long one.
    """
    if parents:
        message.set_raw("In-Reply-To", parents[0])
        message.set_raw("References", "\r\n ".join(reversed(parents[:_MOST_PARENTS])))


def _encoded(text: str) -> str:
    """A subject for the wire, as encoded words (RFC 2047) unless it is short plain ASCII.

    Not left to the message's own folding: that decodes encoded words in the text it is given, so that one in a label
    could end the line and begin a header, and it doubles spaces at some folds.
    """
    if text.isascii() and "=?" not in text and len(text) <= 66:
        return text
    return Header(text, "utf-8", header_name="Subject", maxlinelen=76).encode(linesep="\r\n")


def _digest(key: str, lab_name: str) -> str:
    return hashlib.sha256(f"{lab_name}\0{key}".encode("utf-8", "surrogatepass")).hexdigest()[:40]


def sender_address(text: str) -> Address:
    """The address mail comes from. Wrong, it is for the maintainer to mend, and messages wait for that."""
    address = _address(text)
    if address is None:
        raise TemporaryFailure(f"TRAYWARDEN_MAIL__SENDER {_NO_ADDRESS.format(one_line(text, 80))}")
    return address


def _recipient_address(text: str) -> Address:
    address = _address(text)
    if address is None:
        raise PermanentFailure(f"the recipient {_NO_ADDRESS.format(one_line(text, 80))}")
    return address


def _address(text: str) -> Address | None:
    """An address for a header, or None for anything that is not exactly one usable address."""
    found = _ADDRESS.fullmatch(text.strip())
    if found is None or not text.isprintable() or "=?" in text:  # the beginning of an encoded word, see _encoded
        return None
    try:
        domain = found["domain"].encode("idna").decode("ascii")
        return Address((found["name"] or "").strip(' "'), addr_spec=f"{found['local']}@{domain}")
    except (ValueError, IndexError, MessageError):
        return None


class MailCarrier:
    """Email through the lab's mail server, one session for each message."""

    def __init__(self, settings: MailServer, lab_name: str, draw: Draw = no_picture) -> None:
        self._settings = settings
        self._lab_name = lab_name
        self._draw = draw

    def deliver(self, row: OutboxRow, before_data: Callable[[], None]) -> str:
        """As `Carrier` says."""
        message = build_message(row, self._settings.sender, self._lab_name, self._draw(row))
        return send(message, self._settings, before_data)


def send(message: EmailMessage, settings: MailServer, before_data: Callable[[], None]) -> str:
    """Hand one message to the server; returning means that it answered 250, and says in which words.

    `before_data` is called once the server has accepted sender and recipient, just before DATA. Raises
    TemporaryFailure      for 4xx, for wrong settings and where the network fails before the text went out
    PermanentFailure      for 5xx about this recipient or text
    Unconfirmed           where the text went out and no answer came
    """
    content = _on_the_wire(message)
    smtp = open_session(settings)
    try:
        _envelope(smtp, message, settings)
        before_data()
        return f"{settings.where} answered {_data(smtp, content, settings)}"
    finally:
        close_session(smtp)


def probe_mail(settings: MailServer) -> str:
    """Connect, encrypt, log in, say NOOP, name the sender and send nothing; returns what the server answered.

    Raises TemporaryFailure with one clear line: what is wrong and what would be right.
    """
    sender = sender_address(settings.sender).addr_spec
    smtp = open_session(settings)
    try:
        code, reply = _asked(smtp.noop, settings)
        _expect(250, code, reply, "a NOOP", settings, final=False)
        _expect(250, *_asked(lambda: smtp.mail(sender), settings), "the sender", settings, final=False)
        return f"{settings.where} answered {said(code, reply, settings)} ({_terms(smtp, settings)})"
    finally:
        close_session(smtp)


def _terms(smtp: smtplib.SMTP, settings: MailServer) -> str:
    version = smtp.sock.version() if isinstance(smtp.sock, ssl.SSLSocket) else None
    who = f"logged in as {one_line(settings.username, 80)}" if settings.username is not None else "no login"
    return f"{version or 'not encrypted'}, {who}"


def _on_the_wire(message: EmailMessage) -> bytes:
    """The message as DATA wants it: leading dots doubled, and the closing dot (RFC 5321 section 4.5.2)."""
    content = re.sub(rb"(?m)^\.", b"..", message.as_bytes())
    return content + (b"" if content.endswith(b"\r\n") else b"\r\n") + b".\r\n"


def _envelope(smtp: smtplib.SMTP, message: EmailMessage, settings: MailServer) -> None:
    sender, recipient = (message[name].addresses[0].addr_spec for name in ("From", "To"))
    _expect(250, *_asked(lambda: smtp.mail(sender), settings), "the sender", settings, final=False)
    _expect(250, *_asked(lambda: smtp.rcpt(recipient), settings), f"the recipient {recipient}", settings, final=True)


def _data(smtp: smtplib.SMTP, content: bytes, settings: MailServer) -> str:
    _expect(354, *_asked(lambda: smtp.docmd("DATA"), settings), "the message", settings, final=True)
    try:
        if smtp.sock is not None:
            smtp.sock.settimeout(settings.last_answer_s)
        smtp.send(content)
        code, reply = smtp.getreply()
    except OSError as error:
        raise Unconfirmed(
            f"{settings.where}: {explain(error, settings)} after the message went out; it may have arrived"
        ) from None
    if code < 0:
        raise Unconfirmed(
            f"{settings.where}: said {said(code, reply, settings)} after the message went out; it may have arrived"
        )
    _expect(250, code, reply, "the message", settings, final=True)
    return said(code, reply, settings)


def _asked(command: Callable[[], tuple[int, bytes]], settings: MailServer) -> tuple[int, bytes]:
    """A command and its answer, where nothing has been delivered yet: each failure of the network is temporary."""
    try:
        return command()
    except OSError as error:
        raise TemporaryFailure(f"{settings.where}: {explain(error, settings)}") from None


def _expect(wanted: int, code: int, reply: bytes, what: str, settings: MailServer, *, final: bool) -> None:
    """Go on if the answer is of the wanted class; else raise. `final`: a 5xx is about this message and stays so."""
    if code // 100 == wanted // 100:
        return
    line = f"{settings.where} did not take {what}: {said(code, reply, settings)}"
    if code in _LOGIN_NEEDED:
        line += "; set TRAYWARDEN_MAIL__USERNAME and __PASSWORD to what it accepts"
    if final and code >= 500 and code not in _LOGIN_NEEDED:
        raise PermanentFailure(line)
    raise TemporaryFailure(line)
