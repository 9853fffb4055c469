"""Secrets that can be found again wherever they went, and the search for them in every form they could have taken."""

import base64
from collections.abc import Iterable, Iterator
from pathlib import Path
from urllib.parse import quote, quote_plus

MARKS = {
    "TRAYWARDEN_MQTT__PASSWORD": "mqtt/Mark+7Qx=9w",
    "TRAYWARDEN_MAIL__PASSWORD": "mail/Mark+3Zr=5t",
    "TRAYWARDEN_CHAT__URLS": "chat-Mark-8Kd-4v",
    "TRAYWARDEN_BOARD__LINK_SECRET": "link/Mark+6Hs=2n",
    "TRAYWARDEN_HEARTBEAT__URL": "beat-Mark-9Wf-1j",
    "TRAYWARDEN_UPLINK__TOKEN": "uplk/Mark+5Lg=0c",
}


def forms(secret: str) -> Iterator[bytes]:
    """Plain, escaped for addresses, in JSON, hexadecimal, UTF-16, and as part of anything in base64 at any offset."""
    plain = secret.encode()
    yield from {plain, quote(secret, safe="").encode(), quote_plus(secret).encode(), plain.replace(b"/", b"\\/")}
    yield from (plain.hex().encode(), secret.encode("utf-16-le"), plain[::-1])
    for shift in range(3):
        whole = base64.b64encode(b"\0" * shift + plain)
        sure = whole[(0, 2, 3)[shift] : len(whole) - (len(whole) % 4) - 4]  # what the neighbours cannot change
        yield sure
        yield sure.translate(bytes.maketrans(b"+/", b"-_"))


_FORMS = [(name, form) for name, secret in MARKS.items() for form in forms(secret)]


def found_in(content: bytes, where: str) -> list[str]:
    """One line for each secret that shows."""
    return [f"{name} in {where} as {form!r}" for name, form in _FORMS if form in content]


def found_under(folders: Iterable[Path]) -> list[str]:
    """The same for all files, whatever they are."""
    files = (path for folder in folders for path in folder.rglob("*") if path.is_file())
    return [line for path in files for line in found_in(path.read_bytes(), str(path))]
