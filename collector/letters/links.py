"""Links in messages that let a person acknowledge one occurrence of one alarm, and nothing else.

What a link allows stands in it, signed: whoever holds the link may press the button behind it, as with a key. Pure:
it ends at a time that it carries, held against the time the caller gives. Each purpose signs with a salt of its own, so
that a link of one purpose is none of another.
"""

import hashlib
import hmac
from dataclasses import dataclass
from typing import Any

from itsdangerous import BadData, URLSafeSerializer

LINK_LASTS_MS = 14 * 86_400_000
"""How long a link can be used: over the longest break between lessons but the summer's."""
_ACKNOWLEDGE = "traywarden acknowledge 1"
_LONGEST = 2_000
"""Letters of a token; ours have about 150."""
_SIGNED = {"rule": str, "place": str, "series": int, "raised_ms": int, "role": str, "expires_ms": int}
"""What a token holds, in the order of its list: links that were sent must keep their meaning."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ack:
    """Leave to acknowledge one occurrence of one alarm."""

    rule: str
    place: str
    series: int
    raised_ms: int
    """Which occurrence."""
    role: str
    """Who was sent the link; stands in the history as who acknowledged."""
    expires_ms: int


class LinkRefused(Exception):
    """A link that cannot be used; the text is one line that says why. `expired`: it was good once."""

    def __init__(self, text: str, expired: bool = False) -> None:
        self.expired = expired
        super().__init__(text)


def sign(secret: str, ack: Ack) -> str:
    """The token of a link: letters, digits, '-', '_' and '.'; the same for the same values."""
    token = _serializer(secret).dumps([getattr(ack, name) for name in _SIGNED])
    return token.decode("ascii") if isinstance(token, bytes) else token


def read(secret: str, token: str, now_ms: int) -> Ack:
    """What a token allows. Raises LinkRefused where it is not ours, of another purpose, changed, or too old."""
    ack = _of(_opened(secret, token))
    if now_ms >= ack.expires_ms:
        raise LinkRefused("this link is too old to be used", expired=True)
    return ack


def link_url(base: str, token: str) -> str:
    """The address to put into a message; `base` as in TRAYWARDEN_BOARD__URL."""
    return f"{base.rstrip('/')}/acknowledge/{token}"


def _serializer(secret: str) -> URLSafeSerializer:
    options = {"key_derivation": "hmac", "digest_method": hashlib.sha256}
    return URLSafeSerializer(secret, salt=_ACKNOWLEDGE, signer_kwargs=options)


def _opened(secret: str, token: str) -> Any:
    """The signature is compared letter by letter: read as base64, several texts would stand for the same one."""
    serializer = _serializer(secret)
    payload, _, signature = token.rpartition(".")
    if len(token) <= _LONGEST and token.isascii():
        right = serializer.make_signer(serializer.salt).get_signature(payload)
        if hmac.compare_digest(right, signature.encode("ascii")):
            try:
                return serializer.loads(token)
            except BadData:
                pass
    raise LinkRefused("this is not a whole link of this lab's collector")


def _of(values: Any) -> Ack:
    """Signed by us, so anything else is of another version."""
    if not isinstance(values, list) or [type(value) for value in values] != list(_SIGNED.values()):
        raise LinkRefused("this link was made by another version of the collector")
    return Ack(**dict(zip(_SIGNED, values, strict=True)))
