"""Signed links: what was signed comes back, and nothing else does."""

import hashlib
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st
from itsdangerous import URLSafeSerializer

from collector.letters.links import LINK_LASTS_MS, Ack, LinkRefused, link_url, read, sign

SECRET = "quillbrook-link-secret"
NOW = 1_772_438_400_000
ACK = Ack(
    rule="bedding-hot",
    place="juniper/top",
    series=12,
    raised_ms=NOW - 60_000,
    role="teacher",
    expires_ms=NOW + LINK_LASTS_MS,
)
TOKEN = sign(SECRET, ACK)
LETTERS = string.ascii_letters + string.digits + "-_."
_OPTIONS = {"key_derivation": "hmac", "digest_method": hashlib.sha256}
words = st.text(max_size=60)
times = st.integers(0, 2**53)


@given(
    st.builds(
        Ack,
        rule=words,
        place=words,
        series=st.integers(0, 16_383),
        raised_ms=times,
        role=words,
        expires_ms=times.map(lambda t: t + 1),
    )
)
def test_what_was_signed_comes_back(ack: Ack) -> None:
    """Whatever names a lab has; the token is safe in an address as it stands, and the same each time."""
    token = sign(SECRET, ack)
    assert read(SECRET, token, ack.expires_ms - 1) == ack
    assert set(token) <= set(LETTERS)
    assert sign(SECRET, ack) == token


@pytest.mark.parametrize("letter", ["A", "b", "7", "-", "_", ".", "=", "!", "é", "\n"])
def test_any_letter_changed_added_or_left_out_is_refused(letter: str) -> None:
    """At every place of the token, the last one too, where base64 would let several letters stand for the same."""
    for at in range(len(TOKEN) + 1):
        changed = {
            TOKEN[:at] + letter + TOKEN[at:],
            TOKEN[:at] + letter + TOKEN[at + 1 :],
            TOKEN[:at] + TOKEN[at + 1 :],
        }
        for token in changed - {TOKEN}:
            with pytest.raises(LinkRefused) as refused:
                read(SECRET, token, NOW)
            assert not refused.value.expired


@given(st.integers(0, len(TOKEN) - 1), st.sampled_from(LETTERS))
def test_any_changed_letter_is_refused(at: int, letter: str) -> None:
    """Every letter a token can hold, anywhere in it."""
    token = TOKEN[:at] + letter + TOKEN[at + 1 :]
    if token == TOKEN:
        assert read(SECRET, token, NOW) == ACK
    else:
        with pytest.raises(LinkRefused):
            read(SECRET, token, NOW)


@given(st.text(max_size=200))
def test_no_text_is_more_than_refused(text: str) -> None:
    """Whatever stands in the address: one line, no other error."""
    with pytest.raises(LinkRefused, match=r"^[^\n]+$"):
        read(SECRET, text, NOW)


def test_a_link_ends_at_its_time() -> None:
    """Good to the last millisecond, then refused as one that was good once."""
    assert read(SECRET, TOKEN, ACK.expires_ms - 1) == ACK
    with pytest.raises(LinkRefused, match="too old") as refused:
        read(SECRET, TOKEN, ACK.expires_ms)
    assert refused.value.expired


@pytest.mark.parametrize(
    ("secret", "salt"), [("another-secret-of-16", "traywarden acknowledge 1"), (SECRET, "traywarden shelve 1")]
)
def test_another_secret_or_purpose_is_refused(secret: str, salt: str) -> None:
    """The same values signed for something else, or by somebody else, open nothing."""
    values = ["bedding-hot", "juniper/top", 12, NOW, "teacher", NOW + 1]
    token = URLSafeSerializer(secret, salt=salt, signer_kwargs=_OPTIONS).dumps(values)
    with pytest.raises(LinkRefused, match="not a whole link"):
        read(SECRET, str(token), NOW)


@pytest.mark.parametrize("values", [[], {"rule": "x"}, "x", ["a", "b", 1, 2, "c"], ["a", "b", True, 2, "c", 3], None])
def test_values_of_another_version_are_refused(values: object) -> None:
    """Signed rightly and yet not what this version signs."""
    token = URLSafeSerializer(SECRET, salt="traywarden acknowledge 1", signer_kwargs=_OPTIONS).dumps(values)
    with pytest.raises(LinkRefused, match="another version"):
        read(SECRET, str(token), NOW)


def test_what_is_signed_and_cannot_be_read_is_refused() -> None:
    """A payload that is no JSON, signed with the right key."""
    serializer = URLSafeSerializer(SECRET, salt="traywarden acknowledge 1", signer_kwargs=_OPTIONS)
    token = serializer.make_signer(serializer.salt).sign(b"####").decode()
    with pytest.raises(LinkRefused, match="not a whole link"):
        read(SECRET, token, NOW)


@pytest.mark.parametrize("base", ["https://worms.quillbrook.example/lab", "https://worms.quillbrook.example/lab/"])
def test_the_address_is_base_and_token(base: str) -> None:
    """A slash at the end of the base makes no difference."""
    assert link_url(base, TOKEN) == f"https://worms.quillbrook.example/lab/acknowledge/{TOKEN}"


def test_a_link_that_was_sent_keeps_its_meaning() -> None:
    """A token made by an earlier version, word for word: what it holds stands in an order that does not change."""
    sent = (
        "WyJiZWRkaW5nLWhvdCIsImp1bmlwZXIvdG9wIiwzLDEwMDAsInRlYWNoZXIiLDk5XQ.L3cEL4exTGTujQd0x3Ei7MRB_e5GKJ71n_S3maU4e0Q"
    )
    allowed = Ack(rule="bedding-hot", place="juniper/top", series=3, raised_ms=1000, role="teacher", expires_ms=99)
    assert read("s" * 32, sent, 98) == allowed
    assert sign("s" * 32, allowed) == sent
