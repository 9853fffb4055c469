"""How long probes are usually silent, kept in the journal."""

from pathlib import Path

from collector.alarms.kinds.habit import Gap
from collector.alarms.model import AlarmKey
from collector.pipeline.habits import habits_of, written
from collector.store.vocabulary import MetaKey
from tests.worlds.by_hand import SILENT_SOON, START, ByHand, rules_of

USUAL = "alarms:\n" + SILENT_SOON.replace("setpoint: 10 min", "setpoint: 10 min\n    at_most: 6 h")


def test_what_is_written_is_read() -> None:
    """By rule and series; nothing where nothing was kept."""
    known = {
        AlarmKey("probe-silent", 3): (Gap(491_788, 3_660_000), Gap(491_790, 1)),
        AlarmKey("probe-silent", 4): (Gap(0, 2),),
        AlarmKey("air-silent", 3): (Gap(1, 5),),
    }
    assert habits_of({MetaKey.HABITS: written(known)}) == known
    assert habits_of({}) == {}


def test_a_start_knows_what_the_last_run_learned(tmp_path: Path) -> None:
    """The only probe of a bin that is heard is away for half an hour each time: that is told while nothing is known of
    it, and no more after two hours, though the collector was stopped and started."""
    lab = ByHand(tmp_path / "live", rules_of(USUAL))
    lab.pipeline.link_changed(up=True, now_ms=lab.now_ms, text="up")
    for minute in (0, 30, 60, 90, 120):
        lab.now_ms = START + minute * 60_000
        lab.pipeline.tick(lab.now_ms - 5_000)
        lab.tray(minute, 21.5)
        lab.commit()
    lab.restart()
    lab.pipeline.link_changed(up=True, now_ms=lab.now_ms, text="up")
    for minute in (150, 180):
        lab.now_ms = START + minute * 60_000
        lab.pipeline.tick(lab.now_ms - 5_000)
        lab.tray(minute, 21.5)
        lab.commit()
    lab.close()
    told = [
        (place, at) for _, place, event, at in lab.history() if str(place).startswith("juniper") and event == "raised"
    ]
    assert told[:4] == [("juniper", 10.0), ("juniper", 40.0), ("juniper", 70.0), ("juniper", 100.0)]
    assert told[4:] == [("juniper/middle", 150.0)], "the one that was never heard speaks for itself"
