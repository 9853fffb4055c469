"""Other rules in the middle of a stream, part by part: files that change, and the pipeline that goes on."""

import os
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.alarms.model import Event, Kind, Rule, State
from collector.config.changed_files import WatchedFiles
from collector.config.home import Home
from collector.config.log import UNHEARD
from collector.config.rules.layers import read_layers
from collector.domain.problems import Refused
from collector.intake.inbox import IncomingMessage
from collector.pipeline.building import build_pipeline, rejudge
from collector.pipeline.notices import Outlet
from collector.store.journal import Journal
from collector.store.reader import Reader
from collector.store.requests import Acknowledge
from collector.store.tables.alarm_rows import PastChange
from collector.store.vocabulary import EventKind
from tests.services.clock import QUILLBROOK_MORNING_MS as START_MS
from tests.services.log_lines import log_to
from tests.store.samples import happened
from tests.worlds.home import HOT_AT_ONCE, hot_pack, make_home

MIN = 60_000
(HOT,) = read_layers({"f": HOT_AT_ONCE}, {}).rules
SLOW = replace(HOT, name="bedding-slow", on_delay_ms=2 * MIN, off_delay_ms=3 * MIN)
SILENT = replace(HOT, name="probe-silent", kind=Kind.SILENT, measure="", setpoint=10.0 * MIN, deadband=0.0)
WARM = replace(HOT, name="bedding-warm", setpoint=27.0)


# ---- the pipeline ------------------------------------------------------------------------------------------------
SEEN = Acknowledge(rule="bedding-hot", place="juniper/top", by="class 4b")


@dataclass
class Collector:
    """The parts that judge and store, without broker and people; `at_ms` is the time it is given."""

    folder: Path
    rules: Sequence[Rule]
    at_ms: int = START_MS
    number: int = field(default=0)

    def __post_init__(self) -> None:
        lab = Home(make_home(self.folder)).load_lab()
        self.lab = lab
        self.path = self.folder / "traywarden.db"
        self.journal = Journal(self.path, lab.time_zone, self.at_ms)
        self.begin()

    def begin(self) -> None:
        self.pipeline = build_pipeline(self.lab, self.rules, self.journal, Outlet(), self.at_ms)
        self.pipeline.link_changed(True, self.at_ms, "")

    def read(self, celsius: float, t_ms: int | None = None) -> None:
        self.number += 1
        payload = hot_pack((self.at_ms if t_ms is None else t_ms) / 1000, celsius).encode()
        self.pipeline.intake.accept(
            IncomingMessage(topic="worms/juniper/top", payload=payload, mid=self.number), self.at_ms
        )

    def tick(self) -> None:
        self.pipeline.settle(self.at_ms)
        self.pipeline.tick(self.at_ms - 5_000)

    def commit(self) -> None:
        self.journal.commit(self.pipeline.batch, self.at_ms)
        self.pipeline.start_batch()

    def change(self, *rules: Rule) -> None:
        """As the daemon does it."""
        self.pipeline.settle(self.at_ms)
        self.commit()
        link = self.pipeline.engine.link
        self.pipeline.judge_by(rejudge(self.lab, rules, self.journal, link, self.at_ms), self.at_ms)
        self.rules = rules

    def history(self, *names: str) -> list[PastChange]:
        """What the alarms did, oldest first; `id` is left out of account."""
        self.pipeline.settle(self.at_ms)
        self.commit()
        with Reader(self.path) as reader:
            changes = [replace(one, id=0) for one in reversed(reader.history(at_most=10_000))]
        return [one for one in changes if not names or one.rule in names]

    def brief(self, name: str) -> list[tuple[Event, int]]:
        return [(one.event, (one.t_ms - START_MS) // MIN) for one in self.history(name)]

    def events(self) -> list[tuple[str, str]]:
        self.history()
        return [(kind, detail) for _, kind, detail in happened(self.path)[::-1] if kind == EventKind.RULES_CHANGED]


@pytest.fixture
def collector(tmp_path: Path) -> Collector:
    return Collector(tmp_path / "home", (HOT, SLOW))


def minutes(collector: Collector, *celsius: float) -> None:
    """One reading a minute."""
    for value in celsius:
        collector.at_ms += MIN
        collector.read(value)
        collector.tick()


def test_standing_alarms_pending_delays_and_acknowledgements_are_carried_over(collector: Collector) -> None:
    """A change of other alarms in the middle of an on-delay and of an off-delay moves neither; what was acknowledged
    stays so, and what comes after is told once. (The first reading after a jump is doubted and clears nothing.)"""
    minutes(collector, 29.0, 31.0)
    collector.pipeline.order(SEEN, collector.at_ms)
    collector.change(HOT, SLOW, WARM)
    minutes(collector, 31.5, 31.5, 25.0, 25.0)
    collector.change(HOT, SLOW)
    minutes(collector, 25.0, 25.0, 25.0)
    assert collector.brief("bedding-hot") == [(Event.RAISED, 2), (Event.ACKNOWLEDGED, 2), (Event.CLEARED, 6)]
    assert collector.brief("bedding-slow") == [(Event.RAISED, 4), (Event.CLEARED, 9)]
    slow = collector.history("bedding-slow")
    assert [(one.since_ms, one.worst) for one in slow] == [(START_MS + 2 * MIN, 31.5)] * 2


def test_what_stood_under_a_rule_that_went_is_closed_and_recorded(collector: Collector) -> None:
    """Closed with its priority in the history, told to whom it was told that it began; other alarms stand on."""
    minutes(collector, 31.0, 31.0, 31.0)
    collector.pipeline.release(collector.at_ms)
    collector.commit()
    collector.change(SLOW)
    batch = collector.pipeline.batch
    assert [(one.transition.event, one.priority, one.place) for one in batch.transitions] == [
        (Event.RULE_REMOVED, "high", "juniper/top")
    ]
    collector.pipeline.release(collector.at_ms + MIN)
    (told,) = batch.messages
    assert "bedding-hot is no longer in the rules" in told.body.replace("\n", " ")
    assert [(kind, detail) for _, kind, detail in batch.events] == [("rules changed", "removed bedding-hot")]
    assert {key.rule: state.state for key, state in batch.states.items()} == {"bedding-hot": State.NORMAL}
    minutes(collector, 32.0)
    assert collector.brief("bedding-hot") == [(Event.RAISED, 1), (Event.RULE_REMOVED, 3)]
    assert collector.pipeline.engine.acknowledge("bedding-slow", "juniper/top", "x", collector.at_ms)[1] is None


def test_the_changed_rule_holds_from_the_next_reading_on(collector: Collector) -> None:
    """The readings that had come are judged by the old setpoint, the next one by the new; messages say the new one."""
    minutes(collector, 29.5)
    collector.read(29.6, collector.at_ms + 1)
    collector.change(replace(HOT, setpoint=29.0, corrective_action="Do as the new rule says."), SLOW)
    assert collector.brief("bedding-hot") == []
    minutes(collector, 29.5)
    collector.pipeline.release(collector.at_ms)
    (told,) = collector.pipeline.batch.messages
    assert "29.0 °C" in told.body
    assert "Do as the new rule says." in told.body
    assert collector.brief("bedding-hot") == [(Event.RAISED, 2)]


def test_an_alarm_that_now_watches_something_else_starts_anew(collector: Collector) -> None:
    """High becomes low: what stood is closed, and the worst value of the old alarm is not taken along."""
    minutes(collector, 31.0, 33.0)
    collector.change(replace(HOT, kind=Kind.LOW, setpoint=32.0, deadband=0.5), SLOW)
    minutes(collector, 31.0)
    last = collector.history("bedding-hot")[-2:]
    assert [(one.event, one.worst) for one in last] == [(Event.RULE_REMOVED, 33.0), (Event.RAISED, 31.0)]


def test_a_new_silence_counts_from_what_the_journal_knows(collector: Collector) -> None:
    """A rule about silence that looks further back than any before knows when each probe was last heard."""
    minutes(collector, 25.0)
    collector.at_ms += 30 * MIN
    collector.tick()
    collector.change(HOT, SLOW, SILENT)
    collector.tick()
    assert {(one.place, one.event, one.t_ms) for one in collector.history("probe-silent")} >= {
        ("juniper", Event.RAISED, START_MS + 11 * MIN)  # the last of the bin to fall silent
    }


def test_what_changed_is_in_the_journal_also_when_it_changed_while_off(collector: Collector) -> None:
    """An event for each change with the names, none at the first start or for the same rules again."""
    assert collector.events() == []
    collector.change(HOT, WARM)
    collector.change(HOT, WARM)
    assert collector.events() == [("rules changed", "added bedding-warm; removed bedding-slow")]
    collector.begin()
    assert len(collector.events()) == 1
    collector.rules = [replace(HOT, setpoint=31.0), WARM]
    collector.begin()
    assert collector.events()[0] == ("rules changed", "changed bedding-hot")


_STEPS = st.lists(
    st.tuples(
        st.sampled_from([1_000, MIN, MIN, 3 * MIN, 11 * MIN]),
        st.sampled_from([25.0, 28.5, 29.0, 30.0, 30.1, 31.0, 33.0, None]),
        st.sampled_from([0, 0, MIN]),
        st.sampled_from(["", "", "change", "commit", "acknowledge"]),
    ),
    min_size=1,
    max_size=20,
)


@given(_STEPS)
@settings(max_examples=20, deadline=None)
def test_alarms_that_a_change_does_not_touch_do_as_without_it(steps: list[tuple[int, float | None, int, str]]) -> None:
    """The same stream with and without changes of another alarm: the same history and the same rows, whatever state
    the alarms are in at the moment of the change, with late readings and ticks in between."""
    with TemporaryDirectory() as folder:
        plain = Collector(Path(folder, "plain"), (HOT, SLOW, SILENT))
        other = Collector(Path(folder, "changed"), (HOT, SLOW, SILENT))
        for gap_ms, celsius, lag_ms, what in steps:
            for one in (plain, other):
                one.at_ms += gap_ms
                if celsius is not None:
                    one.read(celsius, one.at_ms - lag_ms)
                one.tick()
                if what == "acknowledge":
                    one.pipeline.order(SEEN, one.at_ms)
                elif what == "commit":
                    one.commit()
            if what == "change":
                other.change(HOT, SLOW, SILENT, *([] if WARM in other.rules else [WARM]))
        names = ("bedding-hot", "bedding-slow", "probe-silent")
        with closing(plain.journal), closing(other.journal):
            assert other.history(*names) == plain.history(*names)
            assert _rows(other) == _rows(plain)


def _rows(collector: Collector) -> list[object]:
    with Reader(collector.path) as reader:
        return [reader.readings_count(), reader.counters(), *reader.readings(None, None)]


# ---- the files ---------------------------------------------------------------------------------------------------


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return Home(make_home(tmp_path / "home"))


@pytest.fixture
def log() -> list[str]:
    return []


@pytest.fixture
def files(home: Home, log: list[str]) -> WatchedFiles:
    return WatchedFiles(home, log_to(log))


Write = Callable[[str, str], None]


@pytest.fixture
def write(home: Home) -> Write:
    """Writes a rule file, each time with a later time than before."""
    count = 0

    def put(name: str, text: str) -> None:
        nonlocal count
        count += 1
        path = home.rules_folder / name
        path.write_text(text, encoding="utf-8")
        os.utime(path, ns=(0, count))

    return put


def test_a_file_is_read_once_it_stands_still(files: WatchedFiles, write: Write, log: list[str]) -> None:
    """A file that is still being written is not taken for whole: half of it may be a good file that says less."""
    before = files.rules
    write("site.yaml", "alarms:\n")
    files.look()
    write("site.yaml", HOT_AT_ONCE.replace("30 degC", "29 degC"))
    files.look()
    assert files.rules is before
    files.look()
    assert next(rule.setpoint for rule in files.rules.rules if rule.name == "bedding-hot") == 29.0
    after = files.rules
    files.look()
    assert files.rules is after
    assert log == []


def test_files_that_come_and_go_are_seen(files: WatchedFiles, home: Home, write: Write) -> None:
    """Added, removed, renamed; what an editor leaves beside them is not a rule file."""
    write("more.yaml", "alarms: {bedding-cool: {enabled: no}}")
    write(".#site.yaml", "no rules: [")
    for _ in range(2):
        files.look()
    assert "bedding-cool" not in [rule.name for rule in files.rules.rules]
    (home.rules_folder / "more.yaml").unlink()
    for _ in range(2):
        files.look()
    assert "bedding-cool" in [rule.name for rule in files.rules.rules]


def test_what_cannot_be_used_is_told_once_and_changes_nothing(
    files: WatchedFiles, write: Write, log: list[str]
) -> None:
    """Each mistake of each file in one line; the rules stay, and the next good files are taken."""
    before = files.rules
    write("site.yaml", "alarms: {bedding-hot: {setpoint: hot}}")
    write("b.yaml", "alarms: [")
    for _ in range(4):
        files.look()
    assert files.rules is before
    assert [line[:34] for line in log] == [
        "not taken up: rules/b.yaml:1:10 no",
        "not taken up: rules/site.yaml:1:34",
        "the rules: as before, until that i",
    ]


def test_asked_to_both_are_read_at_once(files: WatchedFiles, home: Home, write: Write, log: list[str]) -> None:
    """On a signal nothing is waited for; what means the same as before is said and stays the same object."""
    lab, rules = files.lab, files.rules
    files.look(asked=True)
    assert (files.lab, files.rules) == (lab, rules)
    assert log == [f"{what}: read again, means the same as before" for what in ("lab.yaml", "the rules")]
    home.lab_file.write_text(home.lab_file.read_text("utf-8").replace("Quillbrook School", "Quillbrook"), "utf-8")
    write("site.yaml", "alarms: {}")
    files.look(asked=True)
    assert files.lab.name == "Quillbrook worm lab"
    assert files.rules is not rules


def test_a_lab_file_that_went_is_told(files: WatchedFiles, home: Home, log: list[str]) -> None:
    """Renamed or deleted by mistake: said once, and the lab stays as it is."""
    lab = files.lab
    home.lab_file.unlink()
    for _ in range(4):
        files.look()
    assert files.lab is lab
    assert [line.partition(f"{home.path}/")[2] or line for line in log] == [
        "lab.yaml is not there; make one with: traywarden init",
        "lab.yaml: as before, until that is put right",
    ]


def test_at_a_start_every_mistake_of_lab_and_rules_comes_at_once(home: Home, write: Write) -> None:
    """There is nothing to go on with, so it is refused, with all that is wrong."""
    home.lab_file.write_text("lab: 5\n", encoding="utf-8")
    write("site.yaml", "alarms: 5\n")
    with pytest.raises(Refused) as refused:
        WatchedFiles(home, UNHEARD)
    assert {problem.file for problem in refused.value.problems} == {"lab.yaml", "rules/site.yaml"}
