"""The digest of a lab of twelve trays is read in less than two screens of a phone."""

from dataclasses import replace
from pathlib import Path

import pytest

from collector.husbandry.drying import Assumed
from collector.letters.letter import Letter, report_letter
from collector.reports.digest import DigestView, sections, subject
from tests.letters.examples import LAB, at
from tests.reports.test_digest_before_breaks import DRYING, course
from tests.reports.twelve_trays import VIEW
from tests.services.chromium import Chromium

SCREEN_PX = (360, 640)
"""Of a small phone held upright, in CSS pixels."""
BREAK = replace(
    VIEW, back_ms=at(10, 7), ahead=(*course(Assumed.HUMIDITY), replace(DRYING, assumed=(Assumed.HUMIDITY,)))
)
US = replace(VIEW, lab=replace(VIEW.lab, us_units=True))


def digest(view: DigestView) -> Letter:
    return report_letter(subject(view, LAB.people[0]), sections(view, LAB.people[0]))


def test_what_needs_hands_stands_first_and_what_is_well_in_a_line_a_bin() -> None:
    """Twelve trays in 29 lines: the dry tray with its amount, once, then the silent probe, once; trays that are well
    are told together."""
    body = digest(VIEW).body
    lines = body.splitlines()
    assert len(lines) == 29
    assert lines[2:4] == ["Standing now:", "- Juniper, tray 2: Add about 1.0 L of water over the whole tray today, a"]
    flowing = " ".join(body.split())
    assert flowing.count("of water") == 1
    assert flowing.count("maple-3") == 1
    assert flowing.endswith(
        "The bins: - Juniper: 1 alarm - tray 2: 20.6 °C, 58.0 %; the other 3: 20.5 °C to 20.8 °C, 72.0 % to 73.5 %"
        " - Maple: 1 alarm - tray 3: 21.1 °C (at 02:00), 75.0 % (at 02:00); the other 3: 20.9 °C to 21.2 °C, 74.0 % to"
        " 75.5 % - Rowan: all well - 4 trays, 21.3 °C to 21.6 °C, 76.0 % to 77.5 % - Room: 20.0 °C"
    )


def test_it_is_as_short_in_us_units() -> None:
    """Quarts and Fahrenheit in the same lines."""
    body = digest(US).body
    assert len(body.splitlines()) == 29
    assert "- Juniper, tray 2: Add about 1.1 qt of water over the whole tray today" in body
    assert "- Rowan: all well - 4 trays, 70.3 °F to 70.9 °F, 76.0 % to 77.5 %" in body


@pytest.mark.service
def test_it_is_read_in_less_than_two_screens_of_a_phone(tmp_path: Path) -> None:
    """As Chromium lays it out, 360 wide, and in less than three before a break; nothing is wider than the page."""
    width_px, height_px = SCREEN_PX
    with Chromium(tmp_path / "profile") as phone:
        phone.phone(width_px, height_px)
        for name, view, screens in (("metric", VIEW, 2), ("us", US, 2), ("break", BREAK, 3)):
            file = tmp_path / f"{name}.html"
            file.write_text(digest(view).html, encoding="utf-8")
            phone.go(file.as_uri())
            page_px = phone.ask("[document.documentElement.scrollWidth, document.documentElement.scrollHeight]")
            assert page_px[0] == width_px
            assert page_px[1] < screens * height_px
