"""`python -m tests.deploy.mail_picture`: a mail as a phone shows it, for README.

Plays the simulator's story of a lid left off through the collector, takes the first urgent message, builds its mail,
lays out the HTML in Chromium and writes `deploy/pictures/mail.png` anew, in few colours so that it stays small.
"""

import base64
import hashlib
import sys
import tempfile
from contextlib import closing
from email.message import EmailMessage
from io import BytesIO
from pathlib import Path

from PIL import Image, ImageOps
from PIL.PngImagePlugin import PngInfo

from collector.config.home import Home
from collector.config.log import Log
from collector.delivery.mail import build_message
from collector.delivery.pictures import drawing
from collector.store.outbox import OutboxStore
from sim_sensors.scenarios import load
from tests.bench.playing import play
from tests.services.chromium import Chromium

SCENARIO = "lid-left-open"
FOR_MS = 100 * 3_600_000
"""Until the message is there."""
PICTURE = Path(__file__).parents[2] / "deploy" / "pictures" / "mail.png"
MARK = "mail"
WIDTH_PX = 400
"""CSS pixels: a phone held upright."""
WIDTH_DOTS = 500
_MARGIN_PX = 16
_COLOURS = 24
_FRAME = "#b8b8b0"
_AFTER_ALL_MS = 2_000_000_000_000


def urgent_mail(folder: Path) -> EmailMessage:
    """The first message of the story that calls at once. `folder` holds the journal."""
    play(load(SCENARIO), 1, folder, board_url="https://worms.quillbrook.example", for_ms=FOR_MS)
    database = Home(folder).database
    with closing(OutboxStore(database)) as outbox:
        while (message := outbox.take_next(_AFTER_ALL_MS)) is not None and not message.subject.startswith("URGENT: "):
            outbox.mark_sent(message.id, _AFTER_ALL_MS)
    assert message is not None, f"{SCENARIO}: nothing urgent was told"
    drawn = drawing(database, Log(lambda _level, text: sys.exit(text)))(message)
    return build_message(message, "traywarden@quillbrook.example", "Quillbrook School", drawn)


def mark_of(message: EmailMessage) -> str:
    """Of what the mail says; the picture carries it, so that a test can tell whether it is of the mail as it is now."""
    text = message.get_body(("plain",))
    assert text is not None
    return hashlib.sha256(str(text.get_content()).encode()).hexdigest()


def page_of(message: EmailMessage) -> str:
    """The HTML of a mail, its picture inside as data."""
    html = message.get_body(("html",))
    assert html is not None
    page = str(html.get_content())
    for part in message.walk():
        name = str(part.get("Content-ID", "")).strip("<>")
        content = part.get_payload(decode=True)
        if name and isinstance(content, bytes):
            page = page.replace(f"cid:{name}", f"data:image/png;base64,{base64.b64encode(content).decode()}")
    return page


def shown(page: str, mark: str, folder: Path) -> bytes:
    """PNG of the page on a phone, down to the command that acknowledges; below it stands small print."""
    file, shot = folder / "mail.html", folder / "mail.png"
    file.write_text(page, encoding="utf-8")
    with Chromium(folder / "profile") as browser:
        browser.phone(WIDTH_PX, 600)
        browser.go(file.as_uri())
        _left, top, _width, height = browser.box("code")
        browser.phone(WIDTH_PX, round(top + height + _MARGIN_PX))
        browser.picture(shot)
    out, said = BytesIO(), PngInfo()
    said.add_text(MARK, mark)
    with Image.open(shot) as image:
        small = image.convert("RGB").resize((WIDTH_DOTS, round(image.height * WIDTH_DOTS / image.width)))
    framed = ImageOps.expand(small, 2, _FRAME)
    few = framed.quantize(_COLOURS, Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    few.save(out, "PNG", optimize=True, pnginfo=said)
    return out.getvalue()


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        mail = urgent_mail(Path(folder) / "lab")
        png = shown(page_of(mail), mark_of(mail), Path(folder))
    PICTURE.parent.mkdir(exist_ok=True)
    PICTURE.write_bytes(png)
    sys.stdout.write(f"{PICTURE}: {len(png):,} bytes\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
