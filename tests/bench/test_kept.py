"""Figures in the documents are those that were measured."""

import re

import pytest

from tests.bench.__main__ import NAMES
from tests.bench.kept import FOLDER, ROOT, ROWS, SENTENCES, TABLES, keep, kept, with_table


@pytest.mark.parametrize("page", TABLES)
def test_each_table_shows_what_is_kept(page: str) -> None:
    """Written anew it would be the same: `python -m tests.bench NAME --whole --keep` writes it."""
    text = (ROOT / page).read_text(encoding="utf-8")
    assert text.count("<!-- table -->") == 1
    assert with_table(text, TABLES[page]()) == text


def test_a_table_takes_the_place_that_is_marked() -> None:
    """And nothing around it changes."""
    page = "a\n<!-- table -->\n| old |\n<!-- end of table -->\nb"
    assert with_table(page, "| new |") == page.replace("old", "new")


@pytest.mark.parametrize(("page", "name", "words"), SENTENCES)
def test_each_sentence_says_what_is_kept(page: str, name: str, words: str) -> None:
    """A number in a sentence is that of the bench."""
    text = " ".join((ROOT / page).read_text(encoding="utf-8").split())
    assert words.format(**kept(name)["figures"]) in text


def test_what_is_kept_is_shown_and_can_be_measured() -> None:
    """Each kept file is of a bench and has its place on a page."""
    names = {path.stem for path in FOLDER.iterdir()}
    shown = {name for name, *_ in ROWS} | {"scenarios"}
    assert names <= shown <= set(NAMES)


def test_what_a_page_needs_and_was_not_measured_is_not_kept() -> None:
    """A short run has not all figures: it is refused, and nothing is written."""
    before = (FOLDER / "rogue.json").read_bytes()
    with pytest.raises(SystemExit, match="not kept: 'readings_good_lost' is shown on a page"):
        keep("rogue", {"names_worst_delay_s": 1.0}, whole=False)
    assert (FOLDER / "rogue.json").read_bytes() == before


def test_readme_says_no_figure_of_its_own() -> None:
    """No count of tests, no rate: those change with every release and stand on their page."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert re.findall(r"\d+ passed|\d[\d,]* (?:a second|readings|packs/s)", text) == []
