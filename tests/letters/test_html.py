"""The HTML of a message: escaped, self-contained, and readable on a phone."""

import re
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest

from collector.domain.lab import Place, PlaceKind
from collector.letters.facts import Usual
from collector.letters.form.html import PICTURE, with_picture
from collector.telling.message_plan import Item
from tests.letters.examples import CLEARED, HOT, LAB, NOW, RAISED, TOP_TEMPERATURE
from tests.letters.letters import HOT_ITEM, FakeFacts, letter
from tests.services.parts import need

EVIL = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</title><svg onload=alert(1)>",
    "<!--",
    "--><b>",
    PICTURE,
    "&lt;b&gt;",
    "' style='position:fixed",
    "javascript:alert(1)",
]
ALLOWED = {
    "html", "head", "meta", "title", "body", "div", "main", "h1", "h2", "h3", "hr", "span", "p", "ul", "li", "table",
    "tr", "th", "td", "a", "code", "img",
}  # fmt: skip
VOID = {"meta", "hr", "img"}


class Reading(HTMLParser):
    """Every tag with its attributes, all text, and whether each is closed where it should be."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.comments: list[str] = []
        self._open: list[str] = []
        self.feed(html)
        self.close()
        assert not self._open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data

    def handle_comment(self, data: str) -> None:
        self.comments.append(data)


def hostile(text: str) -> str:
    rule = replace(HOT, name=text, corrective_action=text, consequence=text, basis=text)
    lab = replace(LAB, places=(Place(id="juniper/top", kind=PlaceKind.TRAY, label=text),))
    series = replace(TOP_TEMPERATURE, probe=text, channel=text)
    note = Item(transition=replace(RAISED, event=CLEARED.event, by=text, note=text), rule=rule, series=series)
    return letter(Item(transition=RAISED, rule=rule, series=series), note, facts=FakeFacts(lab), others=(text,)).html


@pytest.mark.parametrize("text", EVIL)
def test_no_text_becomes_markup(text: str) -> None:
    """Labels, rule names, probe names, notes and roles: only our own tags and attributes, the text shown as it is."""
    found = Reading(with_picture(hostile(text), "a.picture@quillbrook.example", text))
    assert {tag for tag, _ in found.tags} <= ALLOWED
    for _, attributes in found.tags:
        assert set(attributes) <= {"style", "lang", "charset", "name", "content", "scope", "href", "src", "alt"}
        assert "fixed" not in (attributes.get("style") or "")
    assert text in found.text
    assert not found.comments
    images = [attributes for tag, attributes in found.tags if tag == "img"]
    assert [one["alt"] for one in images] == [text]


def test_a_link_cannot_break_out() -> None:
    """The address is escaped like any text."""
    html = letter(facts=FakeFacts(url='https://x.example/"onclick="alert(1)')).html
    (link,) = [attributes for tag, attributes in Reading(html).tags if tag == "a"]
    assert set(link) == {"href", "style"}


def test_nothing_is_loaded_and_nothing_runs() -> None:
    """No address but the link's; no script, form, frame, or style sheet."""
    html = letter(facts=FakeFacts(url="https://lab.quillbrook.example/acknowledge/abc")).html
    assert re.findall(r"(?:https?:)?//[^\s\"<]+", html) == ["https://lab.quillbrook.example/acknowledge/abc"]
    assert "url(" not in html
    assert not {tag for tag, _ in Reading(html).tags} & {"script", "form", "iframe", "link", "style", "object"}


def test_urgency_is_a_word_and_headings_are_headings() -> None:
    """Nothing by colour alone; one first-level heading, and none left out below it."""
    for html in (letter().html, letter(HOT_ITEM, HOT_ITEM).html):
        found = Reading(html)
        assert "URGENT" in found.text
        levels = [int(tag[1]) for tag, _ in found.tags if re.fullmatch("h[1-6]", tag)]
        assert levels.count(1) == 1
        assert all(after <= before + 1 for before, after in pairwise(levels))


def contrast(one: str, two: str) -> float:
    """WCAG 2.2, relative luminance and contrast ratio."""

    def luminance(colour: str) -> float:
        parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(two)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_texts_stand_out_from_their_ground() -> None:
    """WCAG 2.2 success criterion 1.4.6: 7 to 1 for text, labels, code and the button."""
    html = letter(facts=FakeFacts(url="https://lab.quillbrook.example/a")).html
    colours = re.findall(r"(?<![-\w])color:(#\w{6})", html)
    assert set(colours) == {"#1c1c1c", "#4a4a4a", "#ffffff"}
    for ink, ground in (("#1c1c1c", "#ffffff"), ("#4a4a4a", "#ffffff"), ("#1c1c1c", "#f2f2ee"), ("#ffffff", "#1f4d2e")):
        assert contrast(ink, ground) >= 7


PROBE = """<script>window.onload = () => {
  const wide = Math.max(document.documentElement.scrollWidth, document.body.scrollWidth);
  document.title = 'wide ' + wide + ' of ' + window.innerWidth;
};</script>"""


@pytest.mark.service
def test_no_phone_scrolls_sideways(tmp_path: Path) -> None:
    """Chromium lays it out 320 wide, with long names, a long link and a picture: nothing is wider than the page."""
    chromium = need("chromium")
    long = replace(HOT, name="bedding-" + "hot-" * 30, corrective_action="x" * 400 + " and " * 40)
    facts = FakeFacts(band=Usual(21.5, 24.0, 14), url="https://lab.quillbrook.example/acknowledge/" + "x" * 180)
    told = letter(replace(HOT_ITEM, rule=long), HOT_ITEM, replace(HOT_ITEM, ended=CLEARED), facts=facts, now_ms=NOW)
    page = with_picture(told.html, "missing", "words " * 40)
    frame = tmp_path / "frame.html"
    (tmp_path / "mail.html").write_text(page.replace("</body>", f"{PROBE}</body>"), encoding="utf-8")
    frame.write_text(
        "<iframe src='mail.html' width='320' height='600' style='border:0'></iframe><p id='o'></p><script>"
        "const f = document.querySelector('iframe');"
        "f.onload = () => { document.getElementById('o').textContent = f.contentDocument.title; };</script>",
        encoding="utf-8",
    )
    command = [
        chromium, "--headless", "--no-sandbox", "--disable-gpu", "--allow-file-access-from-files",
        f"--user-data-dir={tmp_path / 'profile'}", "--virtual-time-budget=3000", "--dump-dom", frame.as_uri(),
    ]  # fmt: skip
    dumped = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True).stdout
    found = re.search(r"wide (\d+) of (\d+)", dumped)
    assert found is not None, dumped
    assert int(found[2]) == 320
    assert int(found[1]) <= 320
