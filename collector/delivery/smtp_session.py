"""A conversation with a mail server (RFC 5321): connected, encrypted, logged in; and each thing that can go wrong on
the way said in one line.

What fails before the server is asked about one person concerns the settings or the network, not the message. It is
therefore temporary even where the server says 5xx: once the maintainer has mended it, what waited still goes out.
"""

import base64
import smtplib
import socket
import ssl
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, cast

from collector.config.written_files import trusting
from collector.delivery.bounded import Deadline
from collector.delivery.port import TemporaryFailure
from collector.delivery.servers import MailServer
from collector.letters.plain import one_line

_HOSTNAME_MISMATCH = (62, 64)  # X509_V_ERR_HOSTNAME_MISMATCH, X509_V_ERR_IP_ADDRESS_MISMATCH of OpenSSL
_DATES = (9, 10)  # X509_V_ERR_CERT_NOT_YET_VALID, X509_V_ERR_CERT_HAS_EXPIRED


_LONGEST_ANSWER = 64 * 1024
"""Bytes of one answer, all its lines together; an honest one has a hundred or so (RFC 5321 section 4.5.3.1.5)."""
_ENDLESS = "an answer without end"


class _Counted:
    """What comes from a server, with an end to how much of one answer is read."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.left = _LONGEST_ANSWER

    def readline(self, most: int = -1) -> bytes:
        line = self._file.readline(most)
        self.left -= len(line)
        if self.left < 0:
            raise OSError(_ENDLESS)
        return line

    def close(self) -> None:
        self._file.close()


if TYPE_CHECKING:
    _Library = smtplib.SMTP
else:
    _Library = object


class _Bounded(_Library):
    """Goes before the library's classes, which read an answer for as long as its lines say that more is to come, and a
    line for as long as a byte comes now and then."""

    def __init__(self, *places: Any, session_s: float, **more: Any) -> None:
        self._deadline = Deadline(session_s)
        self._watched: socket.socket | None = None
        self._deadline.start()
        try:
            super().__init__(*places, **more)  # greets already
        except BaseException:
            self._deadline.close()
            raise

    def getreply(self) -> tuple[int, bytes]:
        """One answer. Raises SMTPServerDisconnected where none comes, or none that ends."""
        if self.sock is not None and self.sock is not self._watched:  # anew once TLS is on
            self._watched = self.sock
            self._deadline.watch_socket(self.sock)
        if self.file is None and self.sock is not None:
            self.file = cast(Any, _Counted(self.sock.makefile("rb")))
        if isinstance(self.file, _Counted):
            self.file.left = _LONGEST_ANSWER
        try:
            code, text = super().getreply()
        except smtplib.SMTPServerDisconnected:
            if self._deadline.passed:
                raise smtplib.SMTPServerDisconnected("timed out") from None
            raise
        return code, text

    def close(self) -> None:
        self._deadline.close()
        super().close()


class _Smtp(_Bounded, smtplib.SMTP):
    pass


class _SmtpTls(_Bounded, smtplib.SMTP_SSL):
    pass


def open_session(settings: MailServer) -> smtplib.SMTP:
    """A session ready for mail. Raises TemporaryFailure with one line that says what would be right."""
    context = _context(settings) if settings.security != "none" else None
    try:
        smtp = _connect(settings, context)
    except (OSError, UnicodeError) as error:
        silent = isinstance(error, smtplib.SMTPServerDisconnected)
        hint = "; is the security setting right for this port?" if silent else ""
        raise TemporaryFailure(f"{settings.where}: {explain(error, settings)}{hint}") from None
    try:
        _prepare(smtp, settings, context)
    except (OSError, UnicodeError) as error:
        smtp.close()
        raise TemporaryFailure(f"{settings.where}: {explain(error, settings)}") from None
    return smtp


def close_session(smtp: smtplib.SMTP) -> None:
    """Say goodbye without waiting for the answer, which nothing depends on."""
    try:
        smtp.putcmd("quit")
    except OSError:
        pass
    finally:
        smtp.close()


def _context(settings: MailServer) -> ssl.SSLContext:
    try:
        return trusting(Path(settings.ca_file) if settings.ca_file else None)
    except OSError as error:  # covers ssl.SSLError: a file without certificates
        why = "no certificate in it" if isinstance(error, ssl.SSLError) else _system(error)
        name = one_line(settings.ca_file or "")
        raise TemporaryFailure(f"{settings.where}: certificate file {name} cannot be used: {why}") from None


def _connect(settings: MailServer, context: ssl.SSLContext | None) -> smtplib.SMTP:
    if not settings.host:
        raise UnicodeError("empty")  # smtplib would take it for "not yet"
    # The name we greet with is set later: left to itself, smtplib asks the name server, which may take seconds.
    where, timing = (settings.host, settings.port, "localhost"), {"timeout": settings.timeout_s}
    if settings.security == "tls":
        return _SmtpTls(*where, session_s=settings.session_s, context=context, **timing)
    return _Smtp(*where, session_s=settings.session_s, **timing)


def _prepare(smtp: smtplib.SMTP, settings: MailServer, context: ssl.SSLContext | None) -> None:
    smtp.local_hostname = _address_literal(smtp)
    smtp.ehlo_or_helo_if_needed()
    if settings.security == "starttls":
        smtp.starttls(context=context)
        smtp.ehlo_or_helo_if_needed()
    if settings.username is not None:
        smtp.login(settings.username, settings.password or "")


def _address_literal(smtp: smtplib.SMTP) -> str:
    """Our own address as a greeting, for a machine without a name in the DNS (RFC 5321 section 4.1.3)."""
    address = smtp.sock.getsockname()[0] if smtp.sock is not None else "127.0.0.1"
    return f"[IPv6:{address}]" if ":" in address else f"[{address}]"


def explain(error: Exception, settings: MailServer) -> str:
    """What went wrong with a session, and what would be right, in one line without secrets."""
    match error:
        case ssl.SSLCertVerificationError():
            return _certificate(error, settings)
        case ssl.SSLError():
            other = "'starttls' or 'none'" if settings.security == "tls" else "'none'"
            return (
                f"no TLS could be agreed on ({one_line(error.reason or 'no reason given')}); is security {other} here?"
            )
        case UnicodeEncodeError() if error.encoding == "ascii":
            return "the user name and password may hold only ASCII characters"
        case UnicodeError():
            return "its host name is not one"
        case smtplib.SMTPAuthenticationError():
            answer = said(error.smtp_code, error.smtp_error, settings)
            wrong = "wrong user name or password" if error.smtp_code >= 500 else "cannot check passwords now"
            return f"{wrong} (it said {answer})"
        case smtplib.SMTPResponseException():
            return f"it said {said(error.smtp_code, error.smtp_error, settings)}"
        case smtplib.SMTPNotSupportedError():
            return _not_offered(settings, str(error))
        case _:
            return _connection(error)


def said(code: int, reply: bytes | str, settings: MailServer) -> str:
    """A server's answer for people: one line, cut, with our secrets taken out should it repeat them."""
    text = reply.decode("utf-8", "replace") if isinstance(reply, bytes) else reply
    for secret in _secrets(settings):
        text = text.replace(secret, "***")
    return one_line(f"{code} {' '.join(text.split())}" if code > 0 else "something that is no SMTP", 160)


def _secrets(settings: MailServer) -> list[str]:
    if not settings.password:
        return []
    password = settings.password.encode()
    plain = b"\0" + (settings.username or "").encode() + b"\0" + password
    return [base64.b64encode(plain).decode(), base64.b64encode(password).decode(), settings.password]


def _certificate(error: ssl.SSLCertVerificationError, settings: MailServer) -> str:
    why = one_line(error.verify_message or "verification failed", 120)
    if error.verify_code in _HOSTNAME_MISMATCH:
        return f"its certificate is for another name ({why}); set TRAYWARDEN_MAIL__HOST to a name in the certificate"
    if error.verify_code in _DATES:
        return f"its certificate is not valid today ({why}); is this machine's clock right?"
    return f"its certificate is not trusted ({why}); set TRAYWARDEN_MAIL__CA_FILE to the certificate that signed it"


def _not_offered(settings: MailServer, what: str) -> str:
    if "STARTTLS" in what:
        return (
            "it does not offer STARTTLS; set TRAYWARDEN_MAIL__SECURITY to tls, or to none for a server on this machine"
        )
    if settings.security == "none":
        return "it takes no user name and password without encryption; set TRAYWARDEN_MAIL__SECURITY to starttls or tls"
    return "it takes no user name and password; leave TRAYWARDEN_MAIL__USERNAME unset"


def _connection(error: Exception) -> str:
    match error:
        case socket.gaierror():
            lookup = error.errno == socket.EAI_AGAIN
            return "its name cannot be looked up now; is there a network?" if lookup else "no machine has that name"
        case ConnectionRefusedError():
            return "refused the connection; nothing listens there"
        case smtplib.SMTPServerDisconnected() if _ENDLESS in str(error):
            return "gave an answer without end"
        case smtplib.SMTPServerDisconnected() if "timed out" in str(error):
            return "gave no answer in time"
        case TimeoutError():
            return "gave no answer in time"
        case smtplib.SMTPServerDisconnected() | ConnectionResetError():
            return "closed the connection"
        case smtplib.SMTPException():  # raised as it is by login alone
            return "it offers no login by user name and password that this program knows (CRAM-MD5, PLAIN, LOGIN)"
        case _:
            return _system(error)


def _system(error: Exception) -> str:
    """The operating system's words."""
    return one_line((getattr(error, "strerror", None) or type(error).__name__).lower(), 160)
