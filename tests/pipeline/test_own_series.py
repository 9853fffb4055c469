"""Series nobody publishes: the share of saturation beside an oxygen probe, and what the collector knows of itself."""

import math
from pathlib import Path

import numpy as np
import pytest

from collector.brew.oxygen import pressure_kpa, saturations_mg_l
from collector.config.lab_file import read_lab
from collector.domain.lab import NOT_SENT, SeriesKey
from collector.domain.own_series import COLLECTOR, with_own_series
from collector.pipeline.replay import replay
from collector.store.batch import Batch, NewMessage
from collector.store.reader import Reader
from collector.store.vocabulary import LAB_CHANGED, Counter, EventKind
from collector.watch.self_check import SelfCheck
from tests.worlds.by_hand import START, ByHand
from tests.worlds.rules import read_rules
from tests.worlds.texts import lab_text, probe_text

LAB = lab_text(
    probe_text(
        "kettle",
        "oxygen: {name: oxygen, measure: dissolved_oxygen, unit: mg/L, model: oxygen}",
        "temperature: {name: temperature, measure: tea_temperature, unit: Cel, model: ds18b20}",
        name="kettle-tea",
    ),
    lab="altitude: 1600 m",
    bins=(),
    more="brewers: {kettle: {}}",
)


def percent_of_saturation(oxygen_mg_l: float, celsius: float) -> float:
    """At the lab's altitude."""
    return float(100 * oxygen_mg_l / saturations_mg_l(np.array([celsius]), pressure_kpa(1600))[0])


RULES = """\
alarms:
  share-low:
    kind: low
    measure: oxygen_saturation
    setpoint: 80 %
    deadband: 5 %
    on_delay: 2 min
    off_delay: 0 s
    priority: high
    consequence: The brew runs short of oxygen within minutes.
    corrective_action: Raise the air flow.
    time_to_respond: 15 min
    basis: made up for a test
  disk-low:
    kind: low
    measure: disk_free
    setpoint: 500 MB
    deadband: 100 MB
    on_delay: 0 s
    off_delay: 0 s
    priority: medium
    consequence: Nothing more can be stored in a few days.
    corrective_action: Make room on the disk.
    time_to_respond: 7 d
    basis: made up for a test
"""


class Kettle(ByHand):
    """The brewer alone, with the series that are added to it."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, read_rules({"rules/site.yaml": RULES}), LAB)
        self.lab = with_own_series(self.lab)
        self.restart()

    def tea(self, minutes: float, oxygen: float | None, celsius: float | None) -> None:
        """One pack of the probe box in the brewer."""
        records = [("oxygen", "mg/L", oxygen), ("temperature", "Cel", celsius)]
        said = [f'{{"n":"{n}","u":"{u}","v":{v}}}' for n, u, v in records if v is not None]
        base = f'{{"bn":"urn:dev:mac:9:","bt":{START / 1000 + minutes * 60},'
        self.now_ms = START + round(minutes * 60_000)
        self.say("worms/kettle", f"[{base}{said[0][1:]}{''.join(',' + one for one in said[1:])}]")
        self.commit()


def test_nothing_published_can_claim_to_be_one() -> None:
    """The added channels carry a name that no record can have; the collector has no topic; a probe without tea
    temperature gets no share."""
    lab = with_own_series(read_lab(LAB))
    added = [(p.id, c.measure) for p in lab.probes for c in p.channels if c.name == NOT_SENT]
    assert added[0] == ("kettle-tea", "oxygen_saturation")
    assert {probe for probe, _ in added[1:]} == {COLLECTOR}
    assert next(probe for probe in lab.probes if probe.id == COLLECTOR).topic == ""
    bare = with_own_series(read_lab(LAB[: LAB.index("      temperature")] + "people:\n"))
    assert [channel.measure for channel in bare.probes[0].channels] == ["dissolved_oxygen"]


def test_an_alarm_on_the_share_comes_at_site_pressure_and_is_the_same_in_replay(tmp_path: Path) -> None:
    """6 mg/L at 25 degC is 73 % by the sea and 88 % at 1,600 m, where the lab stands: 80 % is passed at 5.4 mg/L. Told
    after its two minutes, with its value; a moment with oxygen alone counts for nothing; replay tells the same."""
    lab = Kettle(tmp_path / "home")
    lab.pipeline.link_changed(up=True, now_ms=lab.now_ms, text="up")
    for minute, oxygen in enumerate((6.0, 5.6, 5.3, 5.2, 5.1, 5.0)):
        lab.tea(minute, oxygen, 25.0)
    lab.tea(6, 9.0, None)
    lab.close()
    assert percent_of_saturation(5.6, 25) > 80 > percent_of_saturation(5.3, 25)
    assert lab.history() == [("share-low", "kettle", "raised", 4.0)]
    ((subject, body),) = lab.ask("SELECT subject, body FROM outbox")
    assert "Kettle" in str(subject)
    assert "76 %" in str(subject) or "75 %" in str(subject)
    assert "limit 80 %" in str(body)
    with Reader(lab.database) as reader:
        done = replay(reader, lab.lab, lab.rules, START - 1, lab.now_ms + 1)
    (change,) = done.transitions
    assert (change.key.rule, change.t_ms) == ("share-low", START + 240_000)
    assert change.value == pytest.approx(percent_of_saturation(5.1, 25))
    assert lab.ask("SELECT count(*) FROM readings") == [(13,)]  # the share is computed, not stored


def test_the_collector_is_judged_by_what_it_knows_of_itself(tmp_path: Path) -> None:
    """A full disk is told once and cleared once, at the collector's own place; nothing of it is stored as a reading,
    and a clock set back is not judged."""
    lab = Kettle(tmp_path / "home")
    number = lab.pipeline.numbers[SeriesKey(probe=COLLECTOR, channel="disk_free", measure="disk_free", place=COLLECTOR)]
    for minute, free in ((1, 900.0), (2, 400.0), (3, 450.0), (1, 900.0), (4, 700.0)):
        lab.now_ms = START + minute * 60_000
        lab.pipeline.take_own({number: free}, lab.now_ms)
        lab.commit()
    lab.close()
    assert lab.history() == [("disk-low", COLLECTOR, "raised", 2.0), ("disk-low", COLLECTOR, "cleared", 4.0)]
    assert "The collector" in str(lab.ask("SELECT subject FROM outbox")[0][0])
    assert lab.ask("SELECT count(*) FROM readings") == [(0,)]


def test_what_the_collector_finds_out_about_itself(tmp_path: Path) -> None:
    """Messages held, room on the disk, how long mail waits, how often it was started (other than for a new
    lab.yaml), and a clock that was set: a step counts for ten minutes, time passing at its own pace for nothing."""
    lab = Kettle(tmp_path / "home")
    assert lab.journal is not None
    message = NewMessage(
        key="k",
        recipient="teacher@quillbrook.example",
        channel="email",
        priority="high",
        subject="s",
        body="b",
        created_ms=START - 90 * 60_000,
    )
    starts = ((START - 5, ""), (START - 3, LAB_CHANGED), (START - 90_000_000, ""))
    events = [(t_ms, EventKind.STARTED, why) for t_ms, why in starts]
    events += [(START - ago_ms, EventKind.JOURNAL_DAMAGED, "") for ago_ms in (120_000, 90_000_000)]
    events += [(START - 300_000, EventKind.NEW_SESSION, "")]
    lab.journal.commit(Batch(messages=[message], events=events), START)
    unread = [False]
    check = SelfCheck(
        folder=tmp_path, journal=lab.journal, numbers=lab.pipeline.numbers, pace=2.0, unread=lambda: unread[0]
    )

    def found(now_ms: int, monotonic_s: float) -> dict[str, float]:
        names = {number: key.measure for key, number in lab.pipeline.numbers.items()}
        return {names[number]: value for number, value in check.readings(now_ms, monotonic_s, 7).items()}

    first = found(START, 100.0)
    assert {name: first[name] for name in ("backlog", "mail_waiting", "clock_step", "restarts")} == {
        "backlog": 7.0,
        "mail_waiting": 90.0,
        "clock_step": 0.0,
        "restarts": 1.0,
    }
    assert first["disk_free"] > 0
    assert (first["journal_sound"], first["session_kept"], first["not_kept"]) == (2.0, 5.0, 0.0)
    lab.journal.commit(Batch(counts={Counter.TOO_MANY: 30, Counter.LATE: 5}), START)
    assert found(START, 100.0)["not_kept"] == 30.0
    assert math.isclose(found(START + 120_000, 160.0)["clock_step"], 0.0)
    assert found(START + 240_000 + 3_600_000, 220.0)["clock_step"] == 3_600.0
    assert found(START + 360_000 + 3_600_000, 280.0)["clock_step"] == 3_600.0
    unread[0] = True
    last = found(START + 1_440_000 + 3_600_000, 820.1)
    assert (last["clock_step"] < 1.0, last["journal_unread"]) == (True, 0.0)
    assert found(START + 2_040_000 + 3_600_000, 1_120.1)["journal_unread"] == 10.0
    unread[0] = False
    assert found(START + 2_100_000 + 3_600_000, 1_150.1)["journal_unread"] == 0.0
    lab.close()
