"""Brews from the command line: windows, when the air stopped, until when to use the tea."""

import json
from collections.abc import Callable

import pytest

from collector.config.home import Home
from collector.domain.diary import Brew
from collector.domain.lab import SeriesKey
from collector.store.batch import Batch
from tests.worlds.brew_home import CLASS, journal_of, take_all
from tests.worlds.values import HOUR, MIN, T0


def pumped(brew_home: Home, *readings: tuple[int, float | None, int]) -> None:
    """Readings of the kettle's pump: (t, value, flag)."""
    with journal_of(brew_home) as journal:
        series = journal.series_id(
            SeriesKey(probe="kettle-pump", channel="pump", measure="air_pump", place="kettle"), "on/off", "", "", T0
        )
        journal.commit(Batch(rows=[(t, series, value, flag, value, 0) for t, value, flag in readings]), T0)


def start_brew(brew_home: Home, ago_ms: int) -> None:
    with journal_of(brew_home) as journal:
        brew = Brew(
            id=1,
            place="kettle",
            started_ms=T0 - ago_ms,
            air_stopped_ms=None,
            ended_ms=None,
            taken_ms=T0 - ago_ms,
            by="class 4b",
            note="castings",
        )
        journal.commit(Batch(brews={1: brew}), T0)


def test_a_brewer_without_a_brew_says_so(said: Callable[..., str]) -> None:
    """For people and for programs."""
    assert said("brew", "show") == "kettle: no brew noted\n"
    assert json.loads(said("brew", "show", "--json")) == [{"at": "kettle", "state": "none"}]


@pytest.mark.parametrize(
    ("ago_ms", "window"),
    [
        (2 * HOUR, "opens at 2026-03-02 18:00, in 10 h"),
        (13 * HOUR, "open until 2026-03-03 07:00, 23 h left"),
        (37 * HOUR, "closed since 2026-03-02 07:00; end the brew"),
    ],
)
def test_how_long_the_window_still_is(brew_home: Home, said: Callable[..., str], ago_ms: int, window: str) -> None:
    """From twelve hours after the start to thirty-six."""
    start_brew(brew_home, ago_ms)
    out = said("brew", "show")
    assert "kettle: brew 1 running since" in out
    assert f"  window  {window}\n" in out
    assert "  note    castings\n" in out
    assert "no pump readings; say it with: traywarden brew end --air-stopped" in out
    assert "  tea" not in out


def test_the_pump_tells_when_the_air_stopped(brew_home: Home, said: Callable[..., str]) -> None:
    """On, then off for good: since the first good reading that says so; failed and missing ones say nothing."""
    start_brew(brew_home, 20 * HOUR)
    pumped(brew_home, (T0 - 21 * HOUR, 0.0, 1), (T0 - 3 * HOUR, 0.0, 1), (T0 - 2 * HOUR, 1.0, 1))
    out = said("brew", "show", "--json")
    assert (json.loads(out)[0]["air"], json.loads(out)[0]["air_stopped"]) == ("on", None)
    assert "  air     on, by the pump's readings\n" in said("brew", "show")
    pumped(brew_home, (T0 - HOUR, 0.0, 1), (T0 - 50 * MIN, None, 9), (T0 - 40 * MIN, 1.0, 4), (T0 - 30 * MIN, 0.0, 1))
    out = said("brew", "show")
    assert "  air     off since 2026-03-02 07:00\n" in out
    assert "  tea     use it by 2026-03-02 11:00, 3 h left\n" in out


@pytest.mark.parametrize(
    ("arguments", "stopped_ms"),
    [
        ((), T0 - HOUR),
        (("--air-stopped", "07:40"), T0 - 20 * MIN),
        (("--when", "06:30"), T0 - 90 * MIN),
    ],
)
def test_ending_a_brew_knows_when_the_air_stopped(
    brew_home: Home, said: Callable[..., str], arguments: tuple[str, ...], stopped_ms: int
) -> None:
    """As it is said; else as the pump's readings show; else at the end."""
    start_brew(brew_home, 20 * HOUR)
    pumped(brew_home, (T0 - 2 * HOUR, 1.0, 1), (T0 - HOUR, 0.0, 1))
    said("brew", "end", "--at", "kettle", *arguments, *CLASS)
    take_all(brew_home)
    with journal_of(brew_home) as journal:
        (brew,) = journal.brews()
    assert brew.air_stopped_ms == stopped_ms
    assert brew.ended_ms == (T0 - 90 * MIN if "--when" in arguments else T0)


@pytest.mark.parametrize(
    ("after_ms", "tea"),
    [
        (HOUR, "use it by 2026-03-02 12:00, 3 h left"),
        (5 * HOUR, "should have been used by 2026-03-02 12:00; not after 2026-03-02 16:00"),
        (8 * HOUR, "too old since 2026-03-02 16:00: pour it away where nothing is eaten"),
    ],
)
def test_an_ended_brew_says_until_when_to_use_the_tea(
    brew_home: Home, said: Callable[..., str], at_eight: Callable[[int], None], after_ms: int, tea: str
) -> None:
    """Four hours after the air stopped, eight at the most; once it is used, when that was."""
    start_brew(brew_home, 20 * HOUR)
    out = said("brew", "end", "--at", "kettle", "--by", "teacher")
    assert "Pour tea, never spray it; whoever has asthma or a weak immune system stays away. Wear gloves" in out
    take_all(brew_home)
    at_eight(T0 + after_ms)
    out = said("brew", "show")
    assert out.startswith("times are those of UTC\nkettle: brew 1 ended 2026-03-02 08:00 after 20 h, by teacher\n")
    assert f"  tea     {tea}\n" in out
    assert "window" not in out
    said("diary", "add", "tea-used", "--at", "kettle", "--amount", "10 L", *CLASS)
    take_all(brew_home, T0 + after_ms)
    assert "  tea     used at " in said("brew", "show")
    (shown,) = json.loads(said("brew", "show", "--json"))
    assert shown["use_by"] == "2026-03-02T12:00:00Z"
    assert shown["discard_after"] == "2026-03-02T16:00:00Z"
    assert shown["tea_used"] is not None


def test_a_struck_brew_is_gone_from_show(brew_home: Home, said: Callable[..., str]) -> None:
    """And another may start in its place, with its own time."""
    start_brew(brew_home, 2 * HOUR)
    said("brew", "strike", "1", "--by", "teacher")
    assert "1 more wait" in said("brew", "show")
    take_all(brew_home)
    assert said("brew", "show") == "kettle: no brew noted\n"
    said("brew", "start", "--at", "kettle", "--when", "3 h", "--note", "again", *CLASS)
    take_all(brew_home)
    assert "brew 2 running since 2026-03-02 05:00 (3 h), by class 4b" in said("brew", "show")


def test_brews_are_shown_without_a_lab_file(brew_home: Home, said: Callable[..., str]) -> None:
    """What the journal remembers is shown where lab.yaml cannot be used, or no longer has the brewer."""
    start_brew(brew_home, 2 * HOUR)
    brew_home.lab_file.write_text("lab: {name: Worm lab, time_zone: UTC}\n", encoding="utf-8")
    assert "kettle: brew 1 running" in said("brew", "show")
    brew_home.lab_file.write_text("lab: [", encoding="utf-8")
    assert "kettle: brew 1 running" in said("brew", "show")
    assert "nothing noted" in said("diary", "list", "--at", "juniper/tpo")


def test_a_lab_without_brewers_says_so(brew_home: Home, said: Callable[..., str]) -> None:
    """Rather than nothing."""
    brew_home.lab_file.write_text("lab: {name: Worm lab, time_zone: UTC}\n", encoding="utf-8")
    assert said("brew", "show") == "lab.yaml has no brewer\n"
