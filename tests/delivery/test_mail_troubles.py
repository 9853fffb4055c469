"""All that can be wrong with a mail server or its settings: one clear line, the same from `checkup` and `status`."""

import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.delivery.mail import MailCarrier, probe_mail
from collector.delivery.port import TemporaryFailure
from collector.delivery.servers import MailServer
from collector.delivery.smtp_session import explain
from tests.delivery.conftest import settings_for
from tests.delivery.odd_servers import LineByLine
from tests.letters.examples import Letter
from tests.services.certificates import Authority
from tests.services.free_port import free_port
from tests.services.smtp_server import SmtpServer

LAB = "Quillbrook School"
USERS = {"collector": "p4ss-word"}


def one_line_of(settings: MailServer) -> str:
    """The same line from `checkup` and from a delivery: temporary, one line, without the password."""
    told = []
    attempts: tuple[Callable[[], object], ...] = (
        lambda: probe_mail(settings),
        lambda: MailCarrier(settings, LAB).deliver(Letter(), lambda: None),
    )
    for attempt in attempts:
        with pytest.raises(TemporaryFailure) as caught:
            attempt()
        told.append(str(caught.value))
    assert told[0] == told[1]
    assert told[0].isprintable()
    if settings.password:
        assert settings.password not in told[0]
    return told[0].removeprefix(f"mail server {settings.host}:{settings.port}")


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_certificate_from_nobody_we_trust(security: str, authority: Authority) -> None:
    """Without the authority's file, the line names the setting that would mend it; no mail, no password goes out."""
    with SmtpServer("tls" if security == "tls" else "starttls", files=authority.issue(), users=USERS) as server:
        line = one_line_of(settings_for(server, security=security, username="collector", password="p4ss"))
        assert line == (
            ": its certificate is not trusted (unable to get local issuer certificate); "
            "set TRAYWARDEN_MAIL__CA_FILE to the certificate that signed it"
        )
        assert (server.logins, server.messages) == ([], [])


def test_a_certificate_for_another_name(authority: Authority) -> None:
    """The right authority but another host: said as such, with the setting to look at."""
    files = authority.issue(("mail.quillbrook.example",))
    with SmtpServer("tls", files=files) as server:
        line = one_line_of(settings_for(server, security="tls", ca_file=str(files.ca_file)))
        assert line.startswith(": its certificate is for another name (")
        assert line.endswith("; set TRAYWARDEN_MAIL__HOST to a name in the certificate")


def test_an_expired_certificate(authority: Authority) -> None:
    """A certificate out of date, or a board whose clock is: the line asks for both."""
    files = authority.issue(expired=True)
    with SmtpServer("tls", files=files) as server:
        line = one_line_of(settings_for(server, security="tls", ca_file=str(files.ca_file)))
        assert line == (
            ": its certificate is not valid today (certificate has expired); is this machine's clock right?"
        )


@pytest.mark.parametrize("security", ["none", "starttls", "tls"])
def test_a_wrong_password(security: str, authority: Authority) -> None:
    """One line with the server's words, never with the password; the message waits for the right one."""
    files = authority.issue()
    options: dict[str, object] = {"security": security, "ca_file": str(files.ca_file)}
    kind = {"none": "none", "starttls": "starttls", "tls": "tls"}[security]
    with SmtpServer(kind, files=None if kind == "none" else files, users=USERS) as server:  # type: ignore[arg-type]
        line = one_line_of(settings_for(server, username="collector", password="wrong-s3cret", **options))
        assert line == ": wrong user name or password (it said 535 5.7.8 Authentication credentials invalid)"


def test_no_password_where_one_is_needed(authority: Authority) -> None:
    """The server asks for a login: the line names the settings."""
    with SmtpServer(users=USERS) as server:
        assert one_line_of(settings_for(server)) == (
            " did not take the sender: 530 5.7.0 log in first; "
            "set TRAYWARDEN_MAIL__USERNAME and __PASSWORD to what it accepts"
        )


def test_a_password_outside_ascii_is_told_without_it(authority: Authority) -> None:
    """SMTP's usual logins carry ASCII; the line says so and holds nothing of the password."""
    with SmtpServer(users=USERS) as server:
        line = one_line_of(settings_for(server, username="collector", password="pässword"))
        assert line == ": the user name and password may hold only ASCII characters"


def test_a_server_without_login_or_starttls_is_told_apart(server: SmtpServer) -> None:
    """Each setting the server does not offer is named; mail never goes out less protected than asked for."""
    assert "it does not offer STARTTLS; set TRAYWARDEN_MAIL__SECURITY" in one_line_of(
        settings_for(server, security="starttls")
    )
    assert "it takes no user name and password without encryption" in one_line_of(
        settings_for(server, username="collector", password="p4ss")
    )
    assert server.messages == []


def test_a_login_this_program_does_not_know() -> None:
    """A server that only takes other proofs of who one is: the ones we know are named."""
    with LineByLine(b"220 hi", b"250-mail\r\n250 AUTH XOAUTH2") as port:
        line = one_line_of(
            MailServer(host="127.0.0.1", port=port, username="collector", password="p4ss", security="none", timeout_s=5)
        )
        assert line == ": it offers no login by user name and password that this program knows (CRAM-MD5, PLAIN, LOGIN)"


def test_a_server_that_takes_no_login_over_tls(authority: Authority) -> None:
    """With encryption agreed and still no login offered, the user name is what is too much."""
    files = authority.issue()
    with SmtpServer("tls", files=files) as server:
        line = one_line_of(
            settings_for(server, security="tls", ca_file=str(files.ca_file), username="collector", password="p4ss")
        )
        assert line == ": it takes no user name and password; leave TRAYWARDEN_MAIL__USERNAME unset"


def test_tls_to_a_plain_port(server: SmtpServer) -> None:
    """The wrong security for the port is guessed at."""
    line = one_line_of(settings_for(server, security="tls"))
    assert line.startswith(": no TLS could be agreed on (")
    assert line.endswith("; is security 'starttls' or 'none' here?")


def test_plain_to_a_tls_port(authority: Authority) -> None:
    """A port that waits for TLS says nothing to plain text: patience ends and the setting is named."""
    with SmtpServer("tls", files=authority.issue()) as server:
        assert one_line_of(settings_for(server, timeout_s=0.3)) == (
            ": gave no answer in time; is the security setting right for this port?"
        )


def test_a_port_that_takes_the_connection_and_says_nothing() -> None:
    """A firewall's silence ends with our patience, in the middle of agreeing on TLS too."""
    with socket.create_server(("127.0.0.1", 0)) as silent:
        port = silent.getsockname()[1]
        assert one_line_of(MailServer(host="127.0.0.1", port=port, timeout_s=0.2, security="tls")) == (
            ": gave no answer in time"
        )


def test_the_systems_own_words_for_the_rest() -> None:
    """A network that is down is told as the system tells it (this machine cannot be cut off for a test)."""
    assert explain(OSError(101, "Network is unreachable"), MailServer(host="h")) == "network is unreachable"
    assert explain(socket.gaierror(socket.EAI_AGAIN, "later"), MailServer(host="h")).endswith("is there a network?")
    assert explain(socket.gaierror(socket.EAI_NONAME, "none"), MailServer(host="h")) == "no machine has that name"


def test_a_machine_that_is_no_mail_server() -> None:
    """Whatever else answers there: one line, and the message waits."""
    with LineByLine(b"HTTP/1.1 400 Bad Request") as port:
        line = one_line_of(MailServer(host="127.0.0.1", port=port, security="none", timeout_s=2))
        assert line == ": it said something that is no SMTP"


def test_a_server_that_repeats_the_password_does_not_get_it_printed() -> None:
    """Should a server's answer hold our secret, it is taken out of the line."""
    with LineByLine(b"554 go away s3cret") as port:
        line = one_line_of(
            MailServer(host="127.0.0.1", port=port, username="u", password="s3cret", security="none", timeout_s=2)
        )
        assert line == ": it said 554 go away ***"


@pytest.mark.parametrize(
    ("host", "words"),
    [
        ("nobody.invalid", ""),
        ("x" * 70 + ".example", "its host name is not one"),
        ("", "its host name is not one"),
        ("127.0.0.1", "refused the connection; nothing listens there"),
    ],
)
def test_a_host_that_is_not_there(host: str, words: str) -> None:
    """Wrong name, no network or nothing listening: one line; `.invalid` never resolves (RFC 6761)."""
    line = one_line_of(MailServer(host=host, port=free_port(), security="none", timeout_s=5))
    expected = ("no machine has that name", "its name cannot be looked up now; is there a network?")
    assert line.removeprefix(": ") in ((words,) if words else expected)


@pytest.mark.parametrize(
    ("content", "words"), [(None, "no such file or directory"), ("nothing", "no certificate in it")]
)
def test_a_certificate_file_that_cannot_be_used(content: str | None, words: str, tmp_path: Path) -> None:
    """Missing or not a certificate: the file is named."""
    path = tmp_path / "ca.pem"
    if content is not None:
        path.write_text(content)
    line = one_line_of(MailServer(host="127.0.0.1", port=free_port(), security="tls", ca_file=str(path)))
    assert line == f": certificate file {path} cannot be used: {words}"


def test_settings_do_not_show_the_password() -> None:
    """Not in a log line that prints the settings, nor in a traceback."""
    assert "s3cret" not in repr(MailServer(host="mail.quillbrook.example", username="u", password="s3cret"))
