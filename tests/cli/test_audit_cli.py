"""`traywarden rules audit`, on a month that the collector's own pipeline wrote and on homes with little in them."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from collector.alarms.model import AlarmKey, Event, State, Transition
from collector.cli.main import main
from collector.domain.lab import SeriesKey
from collector.domain.readings import Why
from collector.store.batch import Batch, HistoryRow
from collector.store.journal import Journal
from collector.store.reader import Reader
from tests.cli.months import DAY_MS, DAYS, END, HOUR_MS, LAB, MINUTE_MS, SITE, START_MS, START_TEXT, make_month

SPAN = ("--since", START_TEXT, "--until", END)


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_month(tmp_path_factory.mktemp("month") / "home")


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A home without a journal."""
    (tmp_path / "rules").mkdir()
    (tmp_path / "lab.yaml").write_text(LAB, encoding="utf-8")
    return tmp_path


@pytest.fixture
def journal(home: Path) -> Iterator[Journal]:
    with Journal(home / "traywarden.db", "UTC", START_MS) as journal:
        yield journal


def audit(home: Path, capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    assert main(["rules", "audit", "--home", str(home), *arguments]) == code
    told = capsys.readouterr()
    return told.err if code else told.out


def figures(home: Path, capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(audit(home, capsys, "--json", *arguments))
    return found


def value(found: dict[str, Any], name: str) -> Any:
    return next(one["value"] for one in found["figures"] if one["name"] == name)


def called(*times_ms: int, rule: str, series: int, place: str = "juniper/top", lasts_ms: int = MINUTE_MS) -> Batch:
    """A batch of alarms that came at these times from the start and went by themselves."""
    batch = Batch()
    for t_ms in times_ms:
        raised = START_MS + t_ms
        for event, before, after, at in (
            (Event.RAISED, State.NORMAL, State.UNACKNOWLEDGED, raised),
            (Event.CLEARED, State.UNACKNOWLEDGED, State.RETURNED, raised + lasts_ms),
        ):
            change = Transition(
                key=AlarmKey(rule, series),
                event=event,
                before=before,
                after=after,
                t_ms=at,
                since_ms=raised,
                raised_ms=raised,
                value=None,
            )
            batch.transitions.append(
                HistoryRow(transition=change, place=place, measure="", priority="medium", noticed_ms=at)
            )
    return batch


def readings(series: int, minutes: int, start_ms: int = START_MS, why: int = 0) -> Batch:
    times = range(start_ms, start_ms + minutes * MINUTE_MS, MINUTE_MS)
    return Batch(rows=[(t_ms, series, 20.0, 1, 20.0, why) for t_ms in times])


def series_of(journal: Journal, place: str = "juniper/top") -> int:
    key = SeriesKey(probe="probe", channel="temperature", measure="bedding_temperature", place=place)
    return journal.series_id(key, "degC", "juniper", "top", START_MS)


# ---- a month -----------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_figures_of_a_month_are_those_of_its_history(month: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Alarms and messages are those in the journal, over 30 days, which are enough for a verdict."""
    found = figures(month, capsys, *SPAN)
    with Reader(month / "traywarden.db") as reader:
        history = reader.history(at_most=100_000)
    raised = [one for one in history if one.event is Event.RAISED]
    cleared = [one for one in history if one.event is Event.CLEARED]
    assert (found["watched_days"], found["enough"], found["needed_days"]) == (DAYS, True, 30)
    assert found["alarms"] == len(raised) > 100
    assert found["messages"] == len(raised) + len(cleared)
    assert value(found, "alarms_per_day") == pytest.approx(len(raised) / DAYS)
    assert sum(one["count"] for one in found["actors"]) == len(raised)
    limits = next(one for one in found["figures"] if one["name"] == "messages_per_day")
    assert (limits["standard"], limits["target"]["most"], limits["target"]["met"]) == (None, 1.0, False)


def test_the_line_to_change_is_the_one_in_the_file(month: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """File and line of each suggestion hold the old value; the chatter would have gone, the true alarms not."""
    found = figures(month, capsys, *SPAN)
    warm, drying = (found["suggestions"][number] for number in (0, 1))
    assert (warm["name"], warm["at"], warm["fault"]) == ("bedding-warm", "maple/top", "chattering")
    lines = SITE.splitlines()
    for trial in (warm["best"], *warm["others"]):
        assert (trial["file"], trial["ships"]) == ("rules/site.yaml", False)
        old = "0.1 degC" if trial["field"] == "deadband" else "0 s"
        assert lines[trial["line"] - 1].strip() == f"{trial['field']}: {old}"
        assert trial["gone"] >= 0.9 * warm["needless"]
        assert trial["true_told"] == warm["true"] == 4
    assert (drying["name"], drying["fault"]) == ("bedding-drying", "fleeting")
    assert drying["best"]["ships"]


def test_people_read_tables_and_the_line(month: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Plain tables: each figure beside the standard and the target with their sources, and what to write where."""
    told = audit(month, capsys, *SPAN)
    assert "30.0 days watched" in told
    assert "No verdict" not in told
    assert "[2] IEC 62682 metric table" in told
    assert "  rules/site.yaml:6  on_delay: 0 s -> 10 min\n" in told
    assert "up to 20 min later" in told
    assert "in rules/site.yaml write  bedding-drying: {on_delay: 30 min})" in told
    assert "bedding-cool at juniper/bottom: no suggestion" in told
    over = [line for line in told.splitlines() if line.endswith("over target")]
    assert any(line.startswith("messages a day, mean") for line in over)


def test_a_mended_rule_has_nothing_left_to_change(
    month: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the suggested line in place the same readings do not chatter any more, and that is said."""
    home = tmp_path / "home"
    (home / "rules").mkdir(parents=True)
    for name in ("lab.yaml", "traywarden.db"):
        (home / name).write_bytes((month / name).read_bytes())
    mended = SITE.replace("on_delay: 0 s", "on_delay: 10 min")
    (home / "rules" / "site.yaml").write_text(mended, encoding="utf-8")
    (warm,) = (one for one in figures(home, capsys, *SPAN)["suggestions"] if one["name"] == "bedding-warm")
    assert (warm["fault"], warm["best"], warm["alarms"]) == ("", None, 4)
    assert "neither chatters nor flits" in warm["why_not"]


def test_less_than_thirty_days_are_no_verdict(month: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Over ten days the figures are shown and not judged."""
    told = audit(month, capsys, "--since", "2026-02-10", "--until", "2026-02-20")
    assert "10.0 days watched" in told
    assert "No verdict yet: the standard asks for 30 days or more." in told
    assert "over target" not in told


def test_us_units(month: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where the lab says US units, worst values are in degrees Fahrenheit."""
    home = tmp_path / "home"
    (home / "rules").mkdir(parents=True)
    (home / "lab.yaml").write_text(LAB.replace("units: metric", "units: us"), encoding="utf-8")
    (home / "rules" / "site.yaml").write_text(SITE, encoding="utf-8")
    (home / "traywarden.db").write_bytes((month / "traywarden.db").read_bytes())
    assert "reached 81.2 °F" in " ".join(audit(home, capsys, *SPAN).split())


# ---- little or nothing -------------------------------------------------------------------------------------------


def test_without_a_journal_one_line_says_so(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No journal: one line, exit 1."""
    told = audit(home, capsys, code=1)
    assert told.count("\n") == 1
    assert "traywarden.db" in told


def test_an_empty_journal_gives_zeros(home: Path, journal: Journal, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing watched: counts of zero, no rates, no suggestions, exit 0; with --json and without."""
    found = figures(home, capsys)
    assert (found["alarms"], found["watched_days"], found["suggestions"], found["enough"]) == (0, 0, [], False)
    assert value(found, "alarms_per_day") is None
    assert "0.0 days watched, 0 alarms" in audit(home, capsys)


def test_only_days_with_readings_were_watched(home: Path, journal: Journal, capsys: pytest.CaptureFixture[str]) -> None:
    """The window starts with the first reading, and days of which nothing is stored do not count."""
    number = series_of(journal)
    for day in (0, 1, 4):
        journal.commit(readings(number, 10, START_MS + day * DAY_MS + 6 * HOUR_MS), START_MS)
    found = figures(home, capsys, "--since", "2026-01-01", "--until", "2026-02-11")
    assert found["since"] == "2026-02-01T06:00:00Z"
    assert found["watched_days"] == 0.75 + 1 + 1


def test_a_window_before_all_readings_is_empty(
    home: Path, journal: Journal, capsys: pytest.CaptureFixture[str]
) -> None:
    """A stretch from before the lab was watched has no time and no alarms in it."""
    journal.commit(readings(series_of(journal), 10), START_MS)
    found = figures(home, capsys, "--since", "2026-01-01", "--until", "2026-01-11")
    assert (found["alarms"], found["watched_days"], found["since"]) == (0, 0, "2026-01-11T00:00:00Z")


def test_by_itself_the_last_thirty_days(home: Path, journal: Journal, capsys: pytest.CaptureFixture[str]) -> None:
    """Without --since the window is the 30 days before --until."""
    number = series_of(journal)
    journal.commit(readings(number, 10, START_MS - 90 * DAY_MS), START_MS)
    found = figures(home, capsys, "--until", END)
    assert (found["since"], found["until"]) == ("2026-02-01T00:00:00Z", "2026-03-03T00:00:00Z")


@pytest.mark.parametrize(
    ("rule", "at", "said"),
    [
        ("gone-rule", "probe", "no rule of this name is left"),
        ("bedding-cool", "probe", "it is switched off by now"),
        ("broker-lost", "link", "it follows the link to the broker"),
        ("bedding-hot", "link", "its series is not in the journal"),
        ("bedding-hot", "late", "none of its readings are kept any more"),
    ],
)
def test_what_cannot_be_tried_says_why(
    home: Path, journal: Journal, capsys: pytest.CaptureFixture[str], rule: str, at: str, said: str
) -> None:
    """A chattering alarm whose rule or readings are gone, or that has none, gets the reason in place of a suggestion;
    readings that came late were never judged and are not tried."""
    (home / "rules" / "site.yaml").write_text("alarms: {bedding-cool: {enabled: no}}\n", encoding="utf-8")
    number = series_of(journal)
    journal.commit(readings(number, 10, why=Why.LATE if at == "late" else 0), START_MS)
    times = [n * 10 * MINUTE_MS for n in range(4)]
    journal.commit(called(*times, rule=rule, series=0 if at == "link" else number), START_MS)
    (one,) = figures(home, capsys, "--since", START_TEXT, "--until", END)["suggestions"]
    assert (one["name"], one["best"], one["others"]) == (rule, None, [])
    assert said in one["why_not"]
    assert said in " ".join(audit(home, capsys, *SPAN).split())


def test_floods_and_what_stands_are_shown(home: Path, journal: Journal, capsys: pytest.CaptureFixture[str]) -> None:
    """Eleven alarms in ten minutes are a flood, and the one that never went is listed as standing."""
    number = series_of(journal)
    journal.commit(readings(number, 60), START_MS)
    batch = called(*(n * 30_000 for n in range(11)), rule="bedding-hot", series=number, lasts_ms=1_000)
    batch.transitions += called(0, rule="bedding-warm", series=number).transitions[:1]
    batch.transitions += _acknowledged(called(0, rule="bedding-dry", series=number).transitions[:1])
    journal.commit(batch, START_MS)
    told = audit(home, capsys, *SPAN)
    assert "Floods" in told
    assert "2026-02-01 00:00  2026-02-01 00:10  13" in told
    assert "Standing at the end" in told
    found = figures(home, capsys, *SPAN)
    assert [one["alarms"] for one in found["floods"]] == [13]
    assert [(one["name"], one["acknowledged"]) for one in found["standing"]] == [
        ("bedding-dry", "2026-02-01T00:05:00Z"),
        ("bedding-warm", None),
    ]


def _acknowledged(raised: list[HistoryRow]) -> list[HistoryRow]:
    (row,) = raised
    t_ms = row.transition.t_ms + 5 * MINUTE_MS
    seen = Transition(
        key=row.transition.key,
        event=Event.ACKNOWLEDGED,
        before=State.UNACKNOWLEDGED,
        after=State.ACKNOWLEDGED,
        t_ms=t_ms,
        since_ms=row.transition.since_ms,
        raised_ms=row.transition.raised_ms,
        value=None,
    )
    return [
        row,
        HistoryRow(transition=seen, place=row.place, measure=row.measure, priority=row.priority, noticed_ms=t_ms),
    ]


# ---- what is wrong with what was given ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--since", "soon"), "'soon' is not a time"),
        (("--since", "2026-03-01", "--until", "2026-02-01"), "is not before --until"),
    ],
)
def test_times_that_cannot_be_are_refused(
    home: Path, journal: Journal, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], said: str
) -> None:
    """One line, exit 1."""
    told = audit(home, capsys, *arguments, code=1)
    assert said in told
    assert told.count("\n") == 1


def test_rules_that_cannot_be_read_are_refused(
    home: Path, journal: Journal, capsys: pytest.CaptureFixture[str]
) -> None:
    """A mistake in a rule file is told with its place, as `rules check` does."""
    (home / "rules" / "site.yaml").write_text("alarms: {bedding-hot: {setpoint: 30}}\n", encoding="utf-8")
    assert "rules/site.yaml:1:" in audit(home, capsys, code=1)
