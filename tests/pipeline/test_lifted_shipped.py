"""The alarms that ship, and a probe in somebody's hands: one quiet question after hours, and a tray that truly dries is
told in time."""

from pathlib import Path

from tests.alarms.shipped_sets import RULES
from tests.worlds.by_hand import START, ByHand

QUARTER = 15
"""Minutes."""


def hear(lab: ByHand, quarters: range, celsius: float, first: float, each: float = 0.0) -> None:
    """The top tray says so each quarter of an hour; its moisture moves by `each` from one time to the next."""
    for number, quarter in enumerate(quarters):
        lab.now_ms = START + quarter * QUARTER * 60_000
        lab.tray(quarter * QUARTER, celsius, first + each * number)
        lab.settle()


def told(lab: ByHand) -> list[tuple[str, str, float]]:
    """(rule, event, hours) of the top tray."""
    lab.commit()
    lab.close()
    found = [(rule, event, float(str(at)) / 60) for rule, place, event, at in lab.history() if place == "juniper/top"]
    return [(str(rule), str(event), hours) for rule, event, hours in found]


def in_damp_bedding(folder: Path, until: int) -> ByHand:
    lab = ByHand(folder, tuple(RULES.values()))
    lab.pipeline.link_changed(up=True, now_ms=lab.now_ms, text="up")
    hear(lab, range(until), 21.5, 0.75)
    return lab


def test_a_harvest_of_two_hours_is_told_to_nobody(tmp_path: Path) -> None:
    """The probe lies beside the bin in the sun and goes back elsewhere."""
    lab = in_damp_bedding(tmp_path / "live", 40)
    hear(lab, range(40, 48), 33.0, 0.09)
    hear(lab, range(48, 80), 22.5, 0.72)
    assert told(lab) == []


def test_a_probe_left_out_is_asked_for_once_and_says_nothing_of_its_tray(tmp_path: Path) -> None:
    """A day on a table: no alarm of dry bedding, no water, one question in the digest, and the end of it when it is
    back. What the newest readings say is for nobody's advice."""
    lab = in_damp_bedding(tmp_path / "live", 40)
    hear(lab, range(40, 136), 20.0, 0.09)
    assert [subject for subject in lab.told() if "top tray" in subject] == []
    hear(lab, range(136, 170), 21.5, 0.74)
    found = told(lab)
    assert [row[:2] for row in found] == [("probe-out-of-bedding", "raised"), ("probe-out-of-bedding", "cleared")]
    assert 3 <= found[0][2] - 10 <= 5
    assert found[1][2] - 34 <= 4


def test_a_tray_beside_a_heater_is_told_in_time(tmp_path: Path) -> None:
    """Half a point each quarter of an hour, an open lid: it is never taken for a probe in the air."""
    lab = in_damp_bedding(tmp_path / "live", 12)
    hear(lab, range(12, 72), 26.0, 0.75, -0.005)
    found = told(lab)
    dry_h = 3 + (75 - 60) / 2
    raised = [hours for rule, event, hours in found if (rule, event) == ("bedding-dry", "raised")]
    assert len(raised) == 1
    assert raised[0] <= dry_h + 2
    assert not any(rule == "probe-out-of-bedding" for rule, _, _ in found)
