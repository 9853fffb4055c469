"""The email itself: well-formed by the standard library's strict parser, and nothing in it but what we put there."""

from dataclasses import replace
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import SMTP, strict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.delivery.mail import build_message
from collector.delivery.port import PermanentFailure, TemporaryFailure
from collector.letters.form.picture import Drawn
from collector.letters.plain import one_line
from tests.letters.examples import Letter

SENDER = "Traywarden <traywarden@quillbrook.example>"
HEADERS = [
    "From",
    "To",
    "Subject",
    "Date",
    "Message-ID",
    "Auto-Submitted",
    "Content-Type",
    "Content-Transfer-Encoding",
    "MIME-Version",
]


def parsed(row: Letter, sender: str = SENDER, lab: str = "Quillbrook School") -> EmailMessage:
    """Built, written out and read back by a parser that raises for every defect it knows."""
    message = message_from_bytes(
        build_message(row, sender, lab).as_bytes(), policy=SMTP.clone(raise_on_defect=True), _class=EmailMessage
    )
    assert isinstance(message, EmailMessage)
    for value in message.values():
        assert not value.defects
    return message


def test_the_message_says_who_what_when() -> None:
    """Each header of the pinned example, and the body as it was rendered."""
    message = parsed(Letter())
    assert message.keys() == HEADERS
    assert message["From"] == "Traywarden <traywarden@quillbrook.example>"
    assert message["To"] == "teacher@quillbrook.example"
    assert message["Subject"] == "URGENT: Juniper, top tray: bedding temperature too high, 31.2 °C"
    assert message["Date"] == "Mon, 03 Mar 2025 16:20:00 +0000"
    assert message["Auto-Submitted"] == "auto-generated"  # RFC 3834 section 5
    assert message.get_content().replace("\r\n", "\n") == Letter().body


def test_the_same_row_always_gives_the_same_bytes() -> None:
    """A message written again after a crash can be told to be the same one: by its Message-ID and every byte."""
    one, two = (build_message(Letter(attempts=n), SENDER, "Quillbrook School").as_bytes() for n in (0, 7))
    assert one == two


def test_the_message_id_follows_from_key_and_lab() -> None:
    """Another occurrence or another lab is another message; the id has a proper domain and no secret in it."""
    ids = {
        parsed(row, lab=lab)["Message-ID"]
        for row in (Letter(), Letter(key="another"))
        for lab in ("Quillbrook School", "Another School")
    }
    assert len(ids) == 4
    assert all(each.endswith("@quillbrook.example>") and "bedding" not in each for each in ids)


HOSTILE = [
    "ok\r\nBcc: everyone@quillbrook.example",
    "ok\nBcc: everyone@quillbrook.example",
    "ok\rBcc: everyone@quillbrook.example",
    "ok\r\n\r\nanother body",
    "ok\x00",
    "ok\x85Bcc: everyone@quillbrook.example",
    "ok\u2028Bcc: everyone@quillbrook.example",
    "ok\u202egnp.exe",
    "=?utf-8?q?=0D=0ABcc:_everyone=40quillbrook.example?=",
    "ok\ud800",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_a_subject_cannot_add_a_header(text: str) -> None:
    """Line breaks, controls and encoded words in a label come out as visible text on the one subject line."""
    message = parsed(Letter(subject=text))
    assert message.keys() == HEADERS
    assert message["Subject"].isprintable()
    assert "Bcc" not in message
    assert message.get_content().replace("\r\n", "\n") == Letter().body


@pytest.mark.parametrize("text", [text for text in HOSTILE if "=?" not in text])
@pytest.mark.parametrize("where", ["before", "after"])
def test_a_recipient_with_a_control_character_is_refused(text: str, where: str) -> None:
    """One bad recipient is a permanent failure of that one message, said on one line."""
    address = f"teacher@quillbrook.example{text[2:]}" if where == "after" else f"{text}teacher@quillbrook.example"
    with pytest.raises(PermanentFailure) as caught:
        parsed(Letter(recipient=address))
    assert str(caught.value).isprintable()
    assert "write it like role@school.example" in str(caught.value)


@pytest.mark.parametrize(
    "address",
    [
        "",
        "teacher",
        "@quillbrook.example",
        "teacher@",
        "teacher@quillbrook.example, other@quillbrook.example",
        "teacher@quillbrook.example;other@quillbrook.example",
        "teacher@quillbrook.example other@quillbrook.example",
        "<teacher@quillbrook.example",
        "teacher@quillbrook.example>",
        "a..b@quillbrook.example",
        "teacher@quillbrook..example",
        "lehrkräfte@quillbrook.example",
        "teacher@" + "x" * 70 + ".example",
        "-oProxy=x teacher@quillbrook.example",
        "=?utf-8?q?=0D=0ABcc:_everyone?=@quillbrook.example",
    ],
)
def test_what_is_not_one_address_is_refused(address: str) -> None:
    """No list, no half address, nothing a mail server would read as two."""
    with pytest.raises(PermanentFailure, match="is no email address"):
        build_message(Letter(recipient=address), SENDER, "Quillbrook School")


def test_a_wrong_sender_waits_for_the_maintainer() -> None:
    """The sender is a setting: messages wait until it is mended, rather than fail."""
    with pytest.raises(TemporaryFailure, match="TRAYWARDEN_MAIL__SENDER 'traywarden' is no email address"):
        build_message(Letter(), "traywarden", "Quillbrook School")


@given(st.text(max_size=120))
def test_any_name_before_the_senders_address_is_refused_or_stays_a_name(name: str) -> None:
    """The sender's display name is free text of the maintainer's; it cannot add a header or change the address."""
    try:
        message = parsed(Letter(), sender=f"{name} <traywarden@quillbrook.example>")
    except TemporaryFailure:
        return
    assert message.keys() == HEADERS
    assert [each.addr_spec for each in message["From"].addresses] == ["traywarden@quillbrook.example"]


def test_a_domain_outside_ascii_is_written_for_the_wire() -> None:
    """Host names outside ASCII go out in their ASCII form (the usual example of RFC 3492's coding)."""
    assert parsed(Letter(recipient="teacher@bücher.example"))["To"] == "teacher@xn--bcher-kva.example"


def test_body_controls_are_made_visible() -> None:
    """A lone carriage return or an escape sequence cannot hide or repaint what a mail program shows."""
    body = parsed(Letter(body="one\rtwo\n\x1b[2Jthree\n")).get_content().replace("\r\n", "\n")
    assert body == "one\\rtwo\n\\x1b[2Jthree\n"


@given(subject=st.text(max_size=400), body=st.text(max_size=2000), name=st.text(max_size=30))
def test_any_text_makes_a_well_formed_message(subject: str, body: str, name: str) -> None:
    """RFC 5322: ASCII on the wire, CRLF line ends only, no line over 998 bytes and none of ours over 78."""
    row = Letter(subject=subject, body=body)
    wire = build_message(row, SENDER, name).as_bytes()
    assert wire.isascii()
    assert wire.replace(b"\r\n", b"").count(b"\r") == wire.replace(b"\r\n", b"").count(b"\n") == 0
    assert all(len(line) <= 78 for line in wire.split(b"\r\n"))
    message = parsed(row, lab=name)
    assert message.keys() == HEADERS
    assert message["Subject"] == one_line(subject, 200)
    assert message["To"] == row.recipient


PAGE = "<!DOCTYPE html>\n<title>x</title>\n<p>31.2 °C</p>\n<!--picture-->\n<p>end</p>\n"
PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256))
WORDS = 'lowest 20.6 °C, highest "31.2 °C"'


def rich(row: Letter, drawn: Drawn | None = None) -> EmailMessage:
    """Written out and read back by a parser that raises for every defect it knows, in every part."""
    wire = build_message(row, SENDER, "Quillbrook School", drawn).as_bytes()
    assert wire.isascii()
    assert all(len(line) <= 78 for line in wire.split(b"\r\n"))
    message = message_from_bytes(wire, policy=strict.clone(linesep="\r\n"), _class=EmailMessage)
    for part in message.walk():
        assert not part.defects
        for value in part.values():
            assert not value.defects
    return message


def parts_of(message: EmailMessage) -> list[str]:
    return [part.get_content_type() for part in message.walk()]


def test_a_page_is_the_richer_of_two_alternatives() -> None:
    """Plain text first, HTML last (RFC 2046 section 5.1.4); no trace of the picture where there is none."""
    message = rich(Letter(html=PAGE))
    assert parts_of(message) == ["multipart/alternative", "text/plain", "text/html"]
    plain, page = message.get_body(("plain",)), message.get_body(("html",))
    assert plain is not None
    assert page is not None
    assert plain.get_content().replace("\r\n", "\n") == Letter().body
    assert page.get_content().replace("\r\n", "\n") == PAGE.replace("<!--picture-->", "")


def test_the_picture_stands_inside_the_page_with_its_words() -> None:
    """multipart/related of the page and the picture it names by its Content-ID (RFC 2387, RFC 2392)."""
    message = rich(Letter(html=PAGE), Drawn(PNG, WORDS))
    kinds = ["multipart/alternative", "text/plain", "multipart/related", "text/html", "image/png"]
    assert parts_of(message) == kinds
    related, page, image = list(message.walk())[2:]
    assert related.get_param("type") == "text/html"
    assert f"cid:{image['Content-ID'][1:-1]}" in page.get_content()
    assert 'alt="lowest 20.6 °C, highest &quot;31.2 °C&quot;"' in page.get_content()
    assert image.get_content() == PNG
    assert image.get_content_disposition() == "inline"


def test_a_picture_without_a_page_is_left_out() -> None:
    """Plain text alone stays plain text."""
    assert parts_of(rich(Letter(), Drawn(PNG, WORDS))) == ["text/plain"]


def test_the_same_row_and_picture_always_give_the_same_bytes() -> None:
    """Also the boundaries between the parts."""
    rows = [Letter(html=PAGE, parents=("a", "b"), attempts=n) for n in (0, 7)]
    one, two = (build_message(row, SENDER, "Quillbrook School", Drawn(PNG, WORDS)).as_bytes() for row in rows)
    assert one == two


def test_messages_on_one_alarm_thread_together() -> None:
    """RFC 5322 section 3.6.4: the answer names the Message-ID of what it answers, which was made from the same key."""
    first, other = parsed(Letter(key="first")), parsed(Letter(key="other"))
    answer = rich(Letter(key="answer", parents=("first", "other", "answer")))
    assert answer["In-Reply-To"] == first["Message-ID"]
    assert str(answer["References"]).split() == [other["Message-ID"], first["Message-ID"]]
    assert answer["Message-ID"] not in str(answer["References"])
    assert "In-Reply-To" not in first


def test_a_flood_of_parents_is_bounded() -> None:
    """Twenty at most, each whole on a line of its own, also with a long domain."""
    row = Letter(subject="URGENT", parents=tuple(f"key-{n}" for n in range(500)))
    wire = build_message(row, "t@" + "quillbrook-school" * 3 + ".example", "Quillbrook School").as_bytes()
    message = message_from_bytes(wire, policy=strict, _class=EmailMessage)
    assert len(str(message["References"]).split()) == 20
    assert b"=?" not in wire


@given(st.text(max_size=60))
def test_a_parent_cannot_add_a_header(key: str) -> None:
    """Only a digest of a key stands in a header."""
    message = rich(Letter(html=PAGE, parents=(key, "ok\r\nBcc: everyone@quillbrook.example")))
    assert "Bcc" not in message
    assert set(message.keys()) <= {*HEADERS, "In-Reply-To", "References"}


def test_a_huge_page_is_well_formed() -> None:
    """500 alarms, and one line of 100,000 letters."""
    message = rich(Letter(body="x" * 100_000, html="<p>" + "ü" * 100_000 + "</p>\n" + "<li>y</li>\n" * 500))
    assert parts_of(message)[-1] == "text/html"


def test_the_letter_is_not_changed_by_its_channel() -> None:
    """Only the addresses decide whom it goes to."""
    assert parsed(replace(Letter(), channel="file")).as_bytes() == parsed(Letter()).as_bytes()
