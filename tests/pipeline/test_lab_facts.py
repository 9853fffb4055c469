"""What letters are told beside the alarm: usual bands, moisture, acknowledgements and links; and the pictures they ask
for, from a journal with days of readings in it."""

import math
from collections.abc import Sequence
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from collector.alarms.model import AlarmKey, AlarmState, Kind, Priority, Rule, State
from collector.delivery.pictures import drawing, points_of
from collector.domain.lab import SeriesKey
from collector.domain.readings import Flag, StoredReading
from collector.letters.form.picture import wanted
from collector.letters.links import LINK_LASTS_MS, Ack, read
from collector.pipeline.lab_facts import DAY_MS, LabFacts, LetterSources, Means
from collector.store.batch import Batch
from collector.store.errors import JournalStalled
from collector.store.journal import Journal
from tests.letters.examples import HOT, HOUR, LAB, MINUTE, NOW, RAISED, TOP_MOISTURE, TOP_TEMPERATURE, Letter
from tests.letters.letters import HOT_ITEM, TEACHER, letter
from tests.services.log_lines import log_to

SECRET = "a secret of sixteen letters"


def facts(
    last: Sequence[StoredReading] = (), states: Sequence[AlarmState] = (), sources: LetterSources | None = None
) -> LabFacts:
    known = {one.id: one for one in (TOP_TEMPERATURE, TOP_MOISTURE, replace(TOP_MOISTURE, id=9))}
    kept = {one.key: one for one in states}
    return LabFacts(
        lab=LAB,
        last={one.series: one for one in last},
        known=known,
        states=lambda: kept,
        sources=sources or LetterSources(),
    )


def moisture(found: LabFacts) -> float | None:
    tray = found.tray_now("juniper/top", NOW)
    assert tray is not None
    return tray.moisture_pct


def means_of(days: float, every_h: int = 1) -> Means:
    """Hours of a day that swings from 20 to 24."""

    def means(series: int, since_ms: int, until_ms: int) -> list[tuple[int, float]]:
        hours = range(0, round(days * 24), every_h)
        return [(NOW - round(days * DAY_MS) + h * HOUR, 22 + 2 * math.sin(h / 12 * math.pi)) for h in hours]

    return means


def test_the_usual_band_is_four_of_five_hours_of_two_weeks() -> None:
    """10 % and 90 % points of the hourly means: 22 -+ 2 sin(72 degrees) for a daily swing."""
    found = facts(sources=LetterSources(means_of(14))).usual(TOP_TEMPERATURE, NOW)
    assert found is not None
    assert (found.low, found.high) == pytest.approx((20.1, 23.9), abs=0.1)
    assert found.days == 14


@pytest.mark.parametrize("means", [means_of(0), means_of(1.9), means_of(14, every_h=24)])
def test_too_little_history_says_nothing(means: Means) -> None:
    """Under two days, or a few hours scattered over two weeks."""
    assert facts(sources=LetterSources(means)).usual(TOP_TEMPERATURE, NOW) is None
    assert facts().usual(TOP_TEMPERATURE, NOW) is None


def test_a_journal_that_cannot_be_read_holds_no_letter_back(tmp_path: Path) -> None:
    """The letter goes out without its usual band."""

    def failing(series: int, since_ms: int, until_ms: int) -> list[tuple[int, float]]:
        raise JournalStalled(tmp_path, "the disk is full")

    assert facts(sources=LetterSources(failing)).usual(TOP_TEMPERATURE, NOW) is None


def test_moisture_of_a_place_is_its_newest_usable_reading() -> None:
    """Of two probes the newer one; none that is old, and none that cannot be trusted."""
    old = StoredReading(series=4, t_ms=NOW - 7 * HOUR, value=70.0, flag=Flag.PASS, raw=None, why=0)
    fresh = StoredReading(series=9, t_ms=NOW - HOUR, value=72.0, flag=Flag.PASS, raw=None, why=0)
    bad = StoredReading(series=4, t_ms=NOW, value=None, flag=Flag.FAIL, raw=None, why=0)
    assert moisture(facts([old, fresh])) == 72.0
    assert moisture(facts([old])) is None
    assert moisture(facts([bad])) is None
    assert facts([fresh]).tray_now("room", NOW) is None
    assert facts([fresh]).newest(TOP_TEMPERATURE) is None
    assert facts([fresh]).newest(replace(TOP_MOISTURE, id=9)) is fresh


def test_when_an_alarm_was_acknowledged() -> None:
    """As it stands now."""
    key = RAISED.key
    state = AlarmState(key=key, state=State.ACKNOWLEDGED, acked_ms=NOW - HOUR)
    assert facts(states=[state]).acknowledged_ms(key) == NOW - HOUR
    assert facts().acknowledged_ms(AlarmKey("x", 1)) is None


WARM = replace(HOT, name="bedding-warm", setpoint=27.0, priority=Priority.MEDIUM)
MILD = replace(HOT, name="bedding-mild", setpoint=26.0, priority=Priority.LOW)
COLD = replace(HOT, name="bedding-cold", kind=Kind.LOW, setpoint=35.0)


@pytest.mark.parametrize(
    ("value", "others", "found"),
    [
        (28.5, [WARM, MILD], WARM),
        (26.5, [WARM, MILD], MILD),
        (25.0, [WARM, MILD], None),
        (28.5, [COLD], None),
        (28.5, [], None),
        (None, [WARM], None),
    ],
    ids=["the most urgent", "whose limit is passed", "cool, within the off-delay", "another kind", "none", "no value"],
)
def test_what_stands_yet_where_an_alarm_is_over(value: float | None, others: list[Rule], found: Rule | None) -> None:
    """By the newest reading, so that one which is only waiting out its off-delay is no reason."""
    last = StoredReading(series=3, t_ms=NOW, value=value, flag=Flag.PASS, raw=value, why=0)
    states = [AlarmState(key=AlarmKey(one.name, 3), state=State.ACKNOWLEDGED, active=True) for one in (*others, HOT)]
    known = replace(facts([last], states), rules={one.name: one for one in others})
    assert known.still_standing(HOT, TOP_TEMPERATURE) == found
    elsewhere = replace(facts([replace(last, series=9)], states), rules=known.rules)
    assert elsewhere.still_standing(HOT, TOP_TEMPERATURE) is None
    assert known.still_standing(replace(HOT, kind=Kind.RATE), TOP_TEMPERATURE) is None


def test_a_link_is_for_one_occurrence_and_one_person() -> None:
    """Two weeks long; none without pages, without a secret, or for what has no occurrence."""
    url = facts(sources=LetterSources(board_url="https://lab.quillbrook.example", link_secret=SECRET)).acknowledge_url(
        HOT_ITEM, TEACHER, NOW
    )
    base, _, token = url.rpartition("/")
    assert base == "https://lab.quillbrook.example/acknowledge"
    assert RAISED.raised_ms is not None
    wanted_ack = Ack(
        rule="bedding-hot",
        place="juniper/top",
        series=3,
        raised_ms=RAISED.raised_ms,
        role="teacher",
        expires_ms=NOW + LINK_LASTS_MS,
    )
    assert read(SECRET, token, NOW) == wanted_ack
    assert facts(sources=LetterSources(link_secret=SECRET)).acknowledge_url(HOT_ITEM, TEACHER, NOW) == ""
    assert facts(sources=LetterSources(board_url="http://x.example")).acknowledge_url(HOT_ITEM, TEACHER, NOW) == ""
    never = replace(HOT_ITEM, transition=replace(RAISED, raised_ms=None))
    both = LetterSources(board_url="http://x.example", link_secret=SECRET)
    assert facts(sources=both).acknowledge_url(never, TEACHER, NOW) == ""
    assert SECRET not in repr(both)


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three days of a reading every ten minutes, one of them not to be trusted, tidied."""
    path = tmp_path_factory.mktemp("journal") / "traywarden.db"
    with Journal(path, LAB.time_zone, NOW) as made:
        key = SeriesKey(probe="juniper-top", channel="temperature", measure="bedding_temperature", place="juniper/top")
        number = made.series_id(key, "Cel", "juniper", "top", NOW)
        batch = Batch()
        for n in range(3 * 144):
            batch.rows.append((NOW - 3 * DAY_MS + n * 10 * MINUTE, number, 22.0 + n / 144, 1, None, 0))
        batch.rows.append((NOW - 5 * MINUTE, number, 85.0, int(Flag.FAIL), 85.0, 0))
        made.commit(batch, NOW)
        made.tidy(NOW)
        means = made.hourly_means(number, NOW - DAY_MS, NOW)
        assert len(means) == 24
        assert means == sorted(means)
        assert made.hourly_means(number + 1, NOW - DAY_MS, NOW) == []
    return path


def row(series: int = 1) -> Letter:
    return replace(Letter(), picture=letter().picture.replace('"series": 3', f'"series": {series}'))


def test_the_picture_is_drawn_from_hours_and_the_last_readings(journal: Path) -> None:
    """Hourly figures up to six hours ago, then each reading; none that cannot be trusted."""
    order = wanted(row().picture)
    assert order is not None
    points = points_of(journal, order)
    assert [one.t_ms for one in points] == sorted(one.t_ms for one in points)
    assert sum(one.low < one.high for one in points) == 65
    assert 36 <= sum(one.low == one.high for one in points) <= 42
    assert max(one.high for one in points) == pytest.approx(22.0 + 431 / 144)
    lines: list[str] = []
    drawn = drawing(journal, log_to(lines))(row())
    assert drawn is not None
    assert Image.open(BytesIO(drawn.png)).size == (720, 400)
    assert "lowest 22.0 °C at Friday 11:30, highest 25.0 °C at 10:10" in drawn.words
    assert not lines


def test_no_picture_holds_a_message_back(journal: Path, tmp_path: Path) -> None:
    """No order, no readings, no journal: none is drawn, and only what went wrong is logged."""
    lines: list[str] = []
    assert drawing(journal, log_to(lines))(Letter()) is None
    assert drawing(journal, log_to(lines))(row(77)) is None
    assert not lines
    assert drawing(tmp_path / "none.db", log_to(lines))(row()) is None
    (line,) = lines
    assert line.startswith("picture of message 1 left out: StoreError: ")
