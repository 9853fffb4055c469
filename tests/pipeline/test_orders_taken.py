"""What people order of alarms: done, or refused with the reason in words."""

from pathlib import Path

from collector.store.requests import Acknowledge, ProbeIn, ProbeOut, Reply, Shelve, Unshelve
from tests.worlds.by_hand import DRY_LATER, START, ByHand, rules_of
from tests.worlds.home import HOT_AT_ONCE
from tests.worlds.values import HOUR


def test_shelving_ends_by_itself_or_by_order_and_the_present_condition_decides(tmp_path: Path) -> None:
    """Shelved while calm, hot meanwhile: told when it is put back, not before."""
    lab = ByHand(tmp_path / "home")
    engine = lab.pipeline.engine
    assert engine.shelve("bedding-hot", "juniper/top", START + HOUR, "repair", "teacher", START)[1] is None
    lab.tray(1, 31.0)
    lab.tray(2, 31.5)
    lab.settle(3)
    assert lab.told() == []
    transitions, problem = engine.unshelve("bedding-hot", "juniper/top", "teacher", START + 4 * 60_000)
    assert problem is None
    assert [str(one.after) for one in transitions] == ["unacknowledged"]
    lab.close()


def test_orders_that_mean_nothing_are_refused_in_words(tmp_path: Path) -> None:
    """An end in the past, no reason, too long, an unknown alarm or place: one reason each, nothing changed."""
    lab = ByHand(tmp_path / "home")
    engine = lab.pipeline.engine
    said = [
        engine.shelve("bedding-hot", "juniper/top", START - 1, "r", "teacher", START),
        engine.shelve("bedding-hot", "juniper/top", START + HOUR, " ", "teacher", START),
        engine.shelve("bedding-hot", "juniper/top", START + 30 * 24 * HOUR, "r", "teacher", START),
        engine.shelve("beding-hot", "juniper/top", START + HOUR, "r", "teacher", START),
        engine.unshelve("bedding-hot", "juniper/top", "teacher", START),
        engine.set_service("juniper/topp", False, "teacher", START),
    ]
    assert all(transitions == [] and problem for transitions, problem in said)
    assert "not in the future" in str(said[0][1])
    assert "reason" in str(said[1][1])
    assert "at most" in str(said[2][1])
    assert "did you mean 'bedding-hot'" in str(said[3][1])
    lab.close()


def test_a_probe_out_of_service_stays_so_over_restarts_and_new_alarms(tmp_path: Path) -> None:
    """Ordered as the command orders it: quiet while it says 33 degrees, after a restart too, and an alarm that rules
    bring meanwhile is out as well; put back, what stands is told at once. Why it went out is in the history."""
    lab = ByHand(tmp_path / "home", rules_of(HOT_AT_ONCE))
    out = ProbeOut(probe="juniper-top", by="maintainer", reason="cable being replaced")
    assert lab.pipeline.order(out, START) == Reply(True, "out of service")
    assert lab.pipeline.order(out, START) == Reply(False, "juniper-top is out of service already")
    lab.commit()
    lab.rules = rules_of(HOT_AT_ONCE + DRY_LATER.replace("3 min", "0 s"))
    lab.restart()
    lab.tray(1, 33.0, moisture=0.4)
    lab.settle(3)
    assert lab.told() == []
    lab.commit()
    lab.restart()
    lab.now_ms = START + 240_000
    back = ProbeIn(probe="juniper-top", by="maintainer")
    assert lab.pipeline.order(back, lab.now_ms) == Reply(True, "in service")
    (told,) = lab.told()
    assert told.startswith("URGENT")
    assert "and 1 more" in told
    lab.commit()
    taken = lab.ask("SELECT rule, event, by, note FROM alarm_history WHERE event LIKE '%service' ORDER BY id")
    assert taken == [
        ("bedding-hot", "taken-out-of-service", "maintainer", "cable being replaced"),
        ("bedding-dry", "taken-out-of-service", "", ""),
        ("bedding-hot", "put-back-in-service", "maintainer", ""),
        ("bedding-dry", "put-back-in-service", "maintainer", ""),
    ]
    lab.close()


def test_a_shelving_is_ended_by_order_after_a_restart(tmp_path: Path) -> None:
    """Shelved, hot, restarted: the order to unshelve tells what stands; a second one has nothing to do."""
    lab = ByHand(tmp_path / "home")
    shelve = Shelve(rule="bedding-hot", place="juniper/top", by="teacher", until_ms=START + HOUR, reason="repair")
    unshelve = Unshelve(rule="bedding-hot", place="juniper/top", by="teacher")
    assert lab.pipeline.order(shelve, START) == Reply(True, "shelved")
    lab.tray(1, 31.0)
    lab.settle(2)
    lab.commit()
    lab.restart()
    lab.now_ms = START + 180_000
    assert lab.pipeline.order(unshelve, lab.now_ms) == Reply(True, "off the shelf")
    assert len(lab.told()) == 1
    again = lab.pipeline.order(unshelve, START + 180_000)
    assert again == Reply(False, "'bedding-hot' at juniper/top is unacknowledged; it is not shelved")
    lab.close()


def test_a_place_out_of_service_is_quiet_until_it_is_back(tmp_path: Path) -> None:
    """All alarms of the tray go out of service with who said so, and come back with the present condition."""
    lab = ByHand(tmp_path / "home")
    engine = lab.pipeline.engine
    out, problem = engine.set_service("juniper/top", False, "teacher", START)
    assert problem is None
    assert {str(one.after) for one in out} == {"out-of-service"}
    lab.tray(1, 31.0)
    lab.tray(2, 31.5)
    lab.settle(3)
    assert lab.told() == []
    back, problem = engine.set_service("juniper/top", True, "teacher", START + 4 * 60_000)
    assert problem is None
    assert "unacknowledged" in {str(one.after) for one in back}
    lab.close()


def test_an_acknowledgement_may_be_of_one_occurrence_only(tmp_path: Path) -> None:
    """The occurrence that stands is acknowledged, once; one that another has followed, or that is over, is not."""
    lab = ByHand(tmp_path / "home")

    def acknowledge(raised_minute: float) -> str:
        raised_ms = START + round(raised_minute * 60_000)
        seen = Acknowledge(rule="bedding-hot", place="juniper/top", by="teacher", raised_ms=raised_ms)
        reply = lab.pipeline.order(seen, lab.now_ms)
        assert reply.done is (reply.words == "acknowledged")
        return reply.words

    lab.tray(1, 30.5)
    lab.settle(1.5)
    lab.tray(2, 28.9)
    lab.settle(2.5)
    assert acknowledge(1) == "acknowledged"
    assert acknowledge(1) == "not done: that alarm is over"
    lab.tray(3, 30.5)
    lab.settle(3.5)
    assert acknowledge(1) == "not done: another occurrence stands since 2026-03-02 08:03"
    assert acknowledge(3) == "acknowledged"
    assert acknowledge(3) == "'bedding-hot' at juniper/top is acknowledged already"
    lab.commit()
    assert [event for _, _, event, _ in lab.history()] == [
        "raised",
        "cleared",
        "acknowledged",
        "raised",
        "acknowledged",
    ]
    elsewhere = Acknowledge(rule="bedding-hot", place="room", by="teacher", raised_ms=START)
    assert "does not hold at" in lab.pipeline.order(elsewhere, lab.now_ms).words
    lab.close()
