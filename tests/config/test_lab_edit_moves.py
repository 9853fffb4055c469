"""A probe moved, renamed or taken out of lab files of any layout: the rest of the text stays as people wrote it."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.config.lab_edit import move_probe, remove_probe, rename_probe
from collector.config.lab_file import read_lab
from collector.domain.problems import Refused
from tests.config.test_lab_edit_properties import lab_texts

HEAD = "lab: {name: a, time_zone: UTC}\nbins: {juniper: {trays: {top: }}}\n"
OLD = "old: {place: room, topic: old, format: number, channels: {c: {measure: battery, unit: V}}}"
TWO = OLD.replace("old", "two")
BLOCK = """\
probes:
  # the first
  old:  # in the corner
    place: 'room'  # by the window
    topic: old
    format: number
    channels:
      c: {measure: battery, unit: V}  # changed in spring
    # of old
  # the second
  two: {place: room, topic: two, format: number, channels: {c: {measure: battery, unit: V}}}
"""


def refusal(change: Callable[[], str]) -> str:
    with pytest.raises(Refused) as refused:
        change()
    (problem,) = refused.value.problems
    return str(problem)


def test_a_move_changes_the_place_alone() -> None:
    """Comments stay, beside it and around it."""
    moved = move_probe(HEAD + BLOCK, "old", "juniper/top")
    assert moved == HEAD + BLOCK.replace("'room'", "juniper/top", 1)


def test_a_new_name_changes_the_key_alone() -> None:
    """Also where the topic is the same word."""
    assert rename_probe(HEAD + BLOCK, "old", "new-one") == HEAD + BLOCK.replace("old:", "new-one:", 1)


@pytest.mark.parametrize(
    ("before", "probe", "after"),
    [
        (BLOCK, "two", BLOCK[: BLOCK.index("  two:")]),
        (BLOCK, "old", BLOCK[: BLOCK.index("  old:")] + BLOCK[BLOCK.index("  # the second") :]),
        (f"probes: {{{OLD}, {TWO}}}\n", "old", f"probes: {{{TWO}}}\n"),
        (f"probes: {{{OLD}, {TWO}}}\n", "two", f"probes: {{{OLD}, }}\n"),
        (f"probes: {{{OLD} # c\n , {TWO}}}\n", "old", f"probes: {{ # c\n {TWO}}}\n"),
        (f"probes:\n  {OLD}", "old", "probes:\n"),
        (f"probes: {{{OLD}}}\nroom:\n", "old", "probes: {}\nroom:\n"),
    ],
)
def test_what_is_taken_out_takes_its_own_comments_along(before: str, probe: str, after: str) -> None:
    """Those on its lines and further in than it; a comment above it stays."""
    assert remove_probe(HEAD + before, probe) == HEAD + after


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda text: move_probe(text, "old", "juniper/tip"), "'juniper/tip' is not a place of this lab"),
        (lambda text: move_probe(text, "odl", "room"), "there is no probe 'odl'; did you mean 'old'?"),
        (lambda text: rename_probe(text, "old", "two"), "probe 'two' is there already"),
        (lambda text: rename_probe(text, "old", "Old One"), "Old One"),
        (lambda text: remove_probe(text, "three"), "there is no probe 'three'"),
    ],
)
def test_what_cannot_be_is_refused(change: Callable[[str], str], says: str) -> None:
    """In one line that says what is wrong."""
    assert says in refusal(lambda: change(HEAD + BLOCK))


def test_a_value_that_stands_elsewhere_is_not_changed() -> None:
    """An alias stands for a value at another place; the program does not change two probes for one."""
    text = HEAD + BLOCK.replace("place: 'room'", "place: &where room").replace(
        "two: {place: room", "two: {place: *where"
    )
    assert "this layout cannot be changed without risk" in refusal(lambda: move_probe(text, "two", "juniper/top"))


@given(lab_texts(), st.data())
def test_moves_read_back_and_keep_every_other_line(before: str, data: st.DataObject) -> None:
    """The lab is the one that was wanted. One word is another, or text is gone; comments of others stay."""
    lab = read_lab(before)
    if not lab.probes:
        return
    probe = data.draw(st.sampled_from(lab.probes))
    others = tuple(one for one in lab.probes if one is not probe)
    moved, renamed = move_probe(before, probe.id, "juniper/top"), rename_probe(before, probe.id, "x")
    assert set(read_lab(moved).probes) == {*others, replace(probe, place="juniper/top")}
    assert moved.replace("juniper/top", "room", 1) == before
    assert set(read_lab(renamed).probes) == {*others, replace(probe, id="x")}
    assert renamed.replace("x:", f"{probe.id}:", 1) == before
    gone = remove_probe(before, probe.id)
    assert read_lab(gone) == replace(lab, probes=others)
    rest = iter(before)
    assert all(character in rest for character in gone)
    assert gone.count("# comment") == before.count("# comment")
