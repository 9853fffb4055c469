"""What is written can be read: contrast of the page's and the mail's colours, by day and in the dark; grey when all is
well."""

import re
from collections.abc import Mapping
from pathlib import Path

import pytest

from collector.letters.form import html, picture
from collector.letters.form.blocks import Block, Bullets, Fields, Heading, HowToAnswer, Passage

CSS = (Path(__file__).parents[2] / "collector/board/templates/board.css").read_text(encoding="utf-8")
LEVELS = ("high", "medium", "low")
AA_TEXT = 4.5
"""Least contrast of text at level AA (WCAG 2.2, success criterion 1.4.3)."""


def luminance(colour: str) -> float:
    """Relative luminance of '#rgb' or '#rrggbb' (WCAG 2.2, definitions)."""
    digits = colour.removeprefix("#")
    whole = "".join(digit * 2 for digit in digits) if len(digits) == 3 else digits
    shares = [int(whole[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    red, green, blue = (share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4 for share in shares)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio, 1 to 21 (WCAG 2.2, definitions)."""
    darker, lighter = sorted((luminance(one), luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def spread(colour: str) -> int:
    """How far from grey a colour is: between its strongest and its weakest part, of 255."""
    parts = [int(colour[at : at + 2], 16) for at in (1, 3, 5)]
    return max(parts) - min(parts)


def scheme(dark: bool) -> dict[str, str]:
    """The page's colours by name, those of the three levels among them."""
    darkened = "\n".join(re.findall(r"@media \(prefers-color-scheme: dark\) \{(.*?)\n\}", CSS, re.DOTALL))
    light = re.sub(r"@media .*?\n\}", "", CSS, flags=re.DOTALL)
    found: dict[str, str] = {}
    for text in (light, darkened) if dark else (light,):
        found |= dict(re.findall(r"--(page|sheet|ink|soft|line|press|on-press): (#[0-9a-f]+)", text))
        found |= dict(re.findall(rf"\.({'|'.join(LEVELS)}) \{{ --level: (#[0-9a-f]+)", text))
    return found


SCHEMES = {"light": scheme(dark=False), "dark": scheme(dark=True)}


@pytest.mark.parametrize(("one", "other", "ratio"), [("#000", "#ffffff", 21.0), ("#777777", "#fff", 4.48)])
def test_the_formula_gives_published_figures(one: str, other: str, ratio: float) -> None:
    """Black on white is 21 to 1; #777777 on white is the grey that just fails (WCAG technique G18)."""
    assert round(contrast(one, other), 2) == ratio


@pytest.mark.parametrize("colours", SCHEMES.values(), ids=SCHEMES)
def test_all_text_of_the_page_can_be_read(colours: Mapping[str, str]) -> None:
    """Text on its sheet, the words on the button, and each level's heading: 4.5 to 1 or more."""
    pairs = [(name, "sheet") for name in ("ink", "soft", *LEVELS)] + [("on-press", "press")]
    assert {pair: contrast(colours[pair[0]], colours[pair[1]]) for pair in pairs if _too_weak(colours, pair)} == {}


def _too_weak(colours: Mapping[str, str], pair: tuple[str, str]) -> bool:
    return contrast(colours[pair[0]], colours[pair[1]]) < AA_TEXT


@pytest.mark.parametrize("colours", SCHEMES.values(), ids=SCHEMES)
def test_the_page_is_grey_when_all_is_well(colours: Mapping[str, str]) -> None:
    """Only the levels, which stand while a person is wanted, are colours; all else is grey, and so is the level that
    nothing sets."""
    grey = {name: colour for name, colour in colours.items() if name not in LEVELS and len(colour) == 7}
    assert {name for name, colour in grey.items() if spread(colour) > 6} == set()
    assert all(spread(colours[level]) > 60 for level in LEVELS)
    assert "--level: var(--line)" in CSS


def test_the_three_levels_differ_without_colour() -> None:
    """Each has a sign of its own, and one heading in words."""
    page = (Path(__file__).parents[2] / "collector/board/templates/alarm.html").read_text(encoding="utf-8")
    signs = dict(re.findall(r'"(high|medium|low)": "(.)"', page))
    assert set(signs) == set(LEVELS)
    assert len(set(signs.values())) == len(LEVELS)
    assert "Needs someone" in page


def test_all_text_of_a_mail_can_be_read() -> None:
    """Of a mail with a block of every sort: each colour it writes, on the background beside it or on white."""
    blocks: list[Block] = [
        Heading("a", "SOON"),
        Fields((("a", "b"),)),
        HowToAnswer(title="a", url="https://a.example", command=("b",)),
    ]
    blocks += [Bullets("a", ("b",)), Passage("a", ("b",)), Heading("b", level=2)]
    styles = re.findall(r'style="([^"]*)"', html.page("a", blocks))
    told = {style: re.findall(r"(?<![-a-z])(color|background):(#[0-9a-f]+)", style) for style in styles}
    pairs = {(dict(found).get("color", "#1c1c1c"), dict(found).get("background", "#ffffff")) for found in told.values()}
    assert len(pairs) >= 4
    assert {pair: contrast(*pair) for pair in pairs if contrast(*pair) < AA_TEXT} == {}


def test_all_text_of_a_picture_can_be_read() -> None:
    """Words and the limit, on white."""
    assert min(contrast(colour, "#ffffff") for colour in (picture.INK, picture.LIMIT)) >= AA_TEXT
