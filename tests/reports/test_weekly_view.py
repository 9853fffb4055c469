"""What the weekly report gathers from the journal, and when it is due."""

from datetime import date

import pytest

from collector.config.home import Home
from collector.domain.hours import every_day
from collector.domain.lab import Lab, SeriesKey, Telling
from collector.reports.weekly import Battery, ProbeWeek
from collector.reports.weekly_view import weekly_due, weekly_view
from collector.store.batch import Batch
from collector.store.reader import Reader
from tests.letters.examples import at
from tests.worlds.brew_home import journal_of
from tests.worlds.values import DAY, HOUR, MIN, T0, lab

PUMP = SeriesKey(probe="kettle-pump", channel="pump", measure="air_pump", place="kettle")
BATTERY = SeriesKey(probe="kettle-pump", channel="battery", measure="battery", place="kettle")


def lab_of(zone: str, minute: int = 7 * 60, weekday: int = 0) -> Lab:
    telling = Telling(waking=every_day(0, 1440, zone), digest_minute=minute, weekly_weekday=weekday)
    return lab(time_zone=zone, telling=telling)


@pytest.mark.parametrize(
    ("now_ms", "last", "due"),
    [
        (at(3, 6, 59), "", None),
        (at(3, 7), "", date(2025, 3, 3)),
        (at(3, 23, 59), "2025-02-24", date(2025, 3, 3)),
        (at(3, 7, 1), "2025-03-03", None),
        (at(4, 7), "", None),
    ],
)
def test_once_a_week_on_its_day(now_ms: int, last: str, due: date | None) -> None:
    """From the digest's time on until the day's end, on the lab's clock; never twice."""
    assert weekly_due(lab_of("America/Chicago"), last, now_ms) == due


def test_it_tells_of_what_the_journal_holds(brew_home: Home) -> None:
    """Of each probe how many readings came of those due, of a battery now and a week ago, and the size on disk."""
    with journal_of(brew_home) as journal:
        pump, battery = (journal.series_id(key, unit, "", "", T0) for key, unit in ((PUMP, "on/off"), (BATTERY, "V")))
        batch = Batch()
        start = T0 - 8 * DAY
        batch.rows += [(start + n * MIN, pump, 1.0, 1, 1.0, 0) for n in range(0, 8 * 1440, 2)]
        batch.rows += [(T0 - 7 * DAY + HOUR, battery, 3.9, 1, 3.9, 0), (T0 - HOUR, battery, 3.7, 1, 3.7, 0)]
        journal.commit(batch, T0)
        for _ in range(40):
            journal.tidy(T0)
    home_lab = brew_home.load_lab()
    with Reader(brew_home.database) as reader:
        found = weekly_view(brew_home, home_lab, brew_home.load_rules(), reader, T0 + 20 * MIN, ("anywhere: nobody",))
    heard = {one.probe: one for one in found.heard}
    assert heard["kettle-pump"] == ProbeWeek("kettle-pump", 5_040, 10_080)
    assert heard["juniper-top"].heard == 0
    assert set(heard) == {probe.id for probe in home_lab.probes if probe.topic}
    assert found.batteries == [Battery("kettle-pump", 3.7, 3.9)]
    assert found.storage.readings == 5_042
    assert found.storage.journal > 10_000
    assert found.audit.window.days == pytest.approx(7.0)
    assert found.day == date(2026, 3, 2)
    assert found.told == ("anywhere: nobody",)


def test_a_new_journal_has_a_report_too(brew_home: Home) -> None:
    """Nothing heard yet, and no failure over it."""
    with Reader(brew_home.database) as reader:
        found = weekly_view(brew_home, brew_home.load_lab(), brew_home.load_rules(), reader, T0, ())
    assert found.storage.readings == 0
    assert all(one.heard == 0 for one in found.heard)
