"""What the shipped sets tell of two weeks in which nothing is wrong, and of days on which something is.

The courses are invented, with the figures of the sources where there are any; the engine and the rules are the real
ones. Each story says all that people are told, so that a needless message fails it as a missing one does.
"""

from collections.abc import Sequence

import numpy as np
import pytest

from collector.domain.diary import Brew, DiaryEntry, DiaryKind, Feel
from tests.alarms.story import (
    BREWING,
    QUIET,
    Course,
    Hours,
    Story,
    at,
    following,
    noise,
    plus,
    share_of,
    steady,
    swing,
    through,
)

MINUTE = 1 / 60


def heating_by_day(hours: Hours) -> Hours:
    """A winter room: heated on school days, cold at night and at the weekend."""
    heated = ((hours // 24) % 7 < 5) & (hours % 24 >= 6) & (hours % 24 < 17)
    return np.where(heated, 21.5, 15.0)


def drying(*waterings: tuple[float, float], start: float, a_day: float, until: float = 340.0) -> Course:
    """Moisture that falls by so much a day, with (hour, rise) of each watering."""
    points, level, since = [(0.0, start)], start, 0.0
    for hour, rise in waterings:
        level -= (hour - since) / 24 * a_day
        points += [(hour, level), (hour + MINUTE, level + rise)]
        level, since = level + rise, hour
    return through(*points, (until, level - (until - since) / 24 * a_day))


def noted(number: int, hour: float, kind: DiaryKind, *, result: Feel | None = None) -> DiaryEntry:
    place = "kettle" if kind is DiaryKind.TEA_USED else "juniper/top"
    return DiaryEntry(
        id=number, t_ms=at(hour), taken_ms=at(hour), place=place, kind=kind, amount=None, result=result, by="class 4b"
    )


def brewed(ended: float | None = None) -> Brew:
    """A brew started at hour 1; the air stopped when it was ended."""
    ended_ms = None if ended is None else at(ended)
    return Brew(
        id=1,
        place="kettle",
        started_ms=at(1),
        air_stopped_ms=ended_ms,
        ended_ms=ended_ms,
        taken_ms=at(1),
        by="class 4b",
        ended_taken_ms=ended_ms,
    )


# ---- nothing is wrong --------------------------------------------------------------------------------------------

WINTER = following(heating_by_day, 15.0, 340.0, follows_h=5.0)
SUMMER = plus(swing(23.5, 2.0), through((0, 0), (100, 1), (200, -1), (300, 0.5)))
ROOMS = {
    "winter": (WINTER, 16.0),
    "spring": (swing(20.0, 2.5), 20.0),
    "summer": (SUMMER, 23.5),
    "nearly too warm": (swing(24.0, 2.5), 24.0),
    "nearly too cool": (swing(14.5, 2.5), 14.5),
}
BEDS = {
    "watered once": drying((178, 8), start=79, a_day=1.0),
    "nearly too dry": drying((82, 8), (226, 8), start=73.5, a_day=0.3),
    "thirsty": drying((106, 9), (226, 9), start=82, a_day=1.8),
    "nearly too wet": drying(start=86, a_day=1.0),
}


@pytest.mark.parametrize("bed", list(BEDS))
@pytest.mark.parametrize("room", list(ROOMS))
def test_two_ordinary_weeks_are_silent(room: str, bed: str) -> None:
    """Day and night, weekends, noise and waterings that nobody noted: not one message."""
    air, start = ROOMS[room]
    for seed, own_warmth in ((1, 0.0), (2, 1.0)):
        courses = {
            "air_temperature": plus(air, noise(seed + 10, 0.15)),
            "air_humidity": plus(swing(42.0, 6.0, warmest=4.0), noise(seed + 20, 1.0)),
            "bedding_temperature": plus(following(air, start, 337.0), steady(own_warmth), noise(seed + 30, 0.1)),
            "bedding_moisture": plus(BEDS[bed], swing(0.0, 0.7), noise(seed + 40, 0.3)),
            "battery": plus(steady(3.7), noise(seed + 50, 0.01)),
        }
        assert Story(336, courses).told == []


def test_a_good_brew_is_silent() -> None:
    """A day of brewing, ended in time and used in time; and the days around it, when the brewer stands empty."""
    pump: Course = lambda hours: np.where((hours > 0.9) & (hours < 26), 1.0, 0.0)  # noqa: E731
    sweet = plus(through((26, 8.4), (30, 2.0)), noise(3, 0.05))
    courses = {
        **QUIET,
        **BREWING,
        "air_pump": pump,
        "dissolved_oxygen": sweet,
        "oxygen_saturation": share_of(sweet, steady(20.0)),
    }
    used = noted(1, 28.0, DiaryKind.TEA_USED)
    assert Story(72, courses, entries=[used], brews=[brewed(ended=26.0)]).alarms() == []


@pytest.mark.parametrize("written", [True, False])
def test_watering_is_silent(written: bool) -> None:
    """15 % up at once; for half an hour water stands at the probe, and what sinks by takes three hours. In the diary
    or not."""
    wet = through((34, 71.5), (34 + MINUTE, 87), (34.4, 87), (37, 84), (72, 82))
    soaked = through((34, 0), (34 + MINUTE, 4.5), (34.4, 4.5), (34.5, 0)) if written else steady(0.0)
    entries = [noted(1, 34.0, DiaryKind.WATERED)] if written else []
    courses = {**QUIET, "bedding_moisture": plus(wet, soaked, noise(4, 0.3))}
    assert Story(72, courses, entries=entries).alarms() == []


# ---- too warm ----------------------------------------------------------------------------------------------------


def test_food_that_heats_is_told_before_it_harms() -> None:
    """20 to 31 degC in a day and 36 on the next while the room stays at 20 (a hobby log): first what it is, then that
    it is warm, then that it is hot, a day before worms die at 35 degC."""
    story = Story(72, {**QUIET, "bedding_temperature": plus(through((24, 20), (48, 31), (72, 36)), noise(5, 0.1))})
    assert story.alarms() == ["bedding-heating", "bedding-warm", "bedding-hot"]
    assert story.hour("bedding-heating") == pytest.approx(24 + 14, abs=0.5)
    at_35 = 48 + 24 * 4 / 5
    assert at_35 - story.hour("bedding-hot") > 18


def test_a_heat_wave_is_told_a_day_before_the_bedding_is_too_hot() -> None:
    """Three days on which the room warms by 3.3 degC each, with a swing of 3 to either side."""
    room = plus(through((48, 22), (120, 32)), swing(0, 3), noise(6, 0.15))
    bed = plus(following(plus(through((48, 22), (120, 32)), swing(0, 3)), 22, 150), noise(7, 0.1))
    story = Story(144, {**QUIET, "air_temperature": room, "bedding_temperature": bed})
    assert list(dict.fromkeys(story.alarms())) == ["room-air-hot", "bedding-warm", "heat-wave-ahead", "bedding-hot"]
    assert story.hour("bedding-hot") - story.hour("heat-wave-ahead") > 20


def test_heating_that_comes_back_after_a_cold_week_is_no_heat_wave() -> None:
    """8 degC over the holidays, then 21.5 within hours: as steep as a heat wave, and nobody is told of one. Nor where
    the heating then goes by the school day."""
    for night in (21.5, 15.0):

        def heated(hours: Hours, night: float = night) -> Hours:
            by_day = (hours % 24 >= 6) & (hours % 24 < 17)
            return np.where(hours < 174, 8.0, np.where(by_day, 21.5, night))

        room = following(heated, 8.0, 265.0, follows_h=3.0)
        bed = plus(following(room, 9.0, 265.0), noise(13, 0.1))
        story = Story(264, {**QUIET, "air_temperature": plus(room, noise(14, 0.15)), "bedding_temperature": bed})
        assert set(story.alarms()) == {"bedding-cool", "room-air-cold"}


# ---- too cold ----------------------------------------------------------------------------------------------------


def test_a_freezing_night_is_told_while_someone_can_still_come() -> None:
    """The heating fails at midnight in a frost of -10 degC, in a house that follows the outside in 18 h."""

    def room(hours: Hours) -> Hours:
        return np.where(hours < 24, 18.0, -10 + 28 * np.exp(-(hours - 24) / 18))

    bed = plus(following(room, 18.0, 50.0), noise(8, 0.1))
    story = Story(48, {**QUIET, "air_temperature": room, "bedding_temperature": bed})
    assert story.alarms() == ["room-air-cold", "bedding-cool", "bedding-freezing-ahead", "bedding-near-freezing"]
    assert story.hour("bedding-near-freezing") - story.hour("bedding-freezing-ahead") > 7


def test_bedding_that_cools_more_slowly_than_a_freezing_room_is_not_taken_for_heating() -> None:
    """-15 degC outside and a house that follows in 12 h: the bedding is 8 degC above the air and more, and cold."""

    def room(hours: Hours) -> Hours:
        return np.where(hours < 48, 21.0, -15 + 36 * np.exp(-(hours - 48) / 12))

    course = following(room, 22.0, 100.0)
    assert float((course(np.arange(48.0, 72.0)) - room(np.arange(48.0, 72.0))).max()) > 8
    bed = plus(course, noise(15, 0.1))
    story = Story(72, {**QUIET, "air_temperature": plus(room, noise(16, 0.15)), "bedding_temperature": bed})
    assert "bedding-heating" not in story.alarms()
    assert story.alarms()[-1] == "bedding-near-freezing"


# ---- too dry -----------------------------------------------------------------------------------------------------


def test_fast_drying_is_told_before_the_bed_is_dry() -> None:
    """A fan over an open tray, 1.5 % an hour: told before 70 %, six hours and more before 60 %."""
    story = Story(72, {**QUIET, "bedding_moisture": plus(through((34, 78), (50, 54)), noise(9, 0.3))})
    assert story.alarms() == ["bedding-drying-fast", "bedding-drying", "bedding-dry"]
    assert story.hour("bedding-dry") - story.hour("bedding-drying-fast") > 6


FRIDAY, SATURDAY, MONDAY = 96, 120, 168


@pytest.mark.parametrize(
    ("since", "level", "told"),
    [(88, 82, (FRIDAY + 10, FRIDAY + 12)), (98, 80, (FRIDAY + 12, SATURDAY + 3))],
    ids=["since Thursday afternoon", "since Friday morning"],
)
def test_a_bed_that_dries_into_the_weekend_is_told_on_friday(
    since: float, level: float, told: tuple[float, float]
) -> None:
    """0.3 % an hour: below 60 % before Monday 08:00, told as soon as the trend is sure and Monday is near enough."""
    course = plus(through((since, level), (since + 100, level - 30)), noise(10, 0.3))
    story = Story(MONDAY, {**QUIET, "bedding_moisture": course})
    assert story.alarms()[0] == "bedding-dry-ahead"
    assert told[0] <= story.hour("bedding-dry-ahead") <= told[1]
    assert story.hour("bedding-drying") - story.hour("bedding-dry-ahead") > 12


def test_the_same_drying_early_in_the_week_is_left_to_the_class() -> None:
    """0.3 % an hour since Monday, watered on Wednesday: no word of the weekend on Tuesday, nor on Friday."""
    course = plus(drying((55, 12), start=87.2, a_day=7.2, until=58), noise(11, 0.3))
    story = Story(MONDAY, {**QUIET, "bedding_moisture": course})
    assert story.alarms() == []


def test_watering_before_the_weekend_ends_what_was_foreseen() -> None:
    """Told on Friday, watered and noted at noon: nothing more is told until Monday."""
    course = plus(through((88, 80), (108, 74), (108 + MINUTE, 86), (MONDAY, 81)), noise(12, 0.3))
    story = Story(MONDAY, {**QUIET, "bedding_moisture": course}, entries=[noted(1, 108.0, DiaryKind.WATERED)])
    assert story.alarms() == ["bedding-dry-ahead"]


# ---- the brew ----------------------------------------------------------------------------------------------------


def test_a_pump_that_stops_is_told_within_two_minutes() -> None:
    """At an uptake of 20 mg/L an hour, long before the floor of 6 mg/L is reached; then the floor."""
    stop = 10.0 + 7 / 3600
    pump: Course = lambda hours: np.where(hours < stop, 1.0, 0.0)  # noqa: E731
    oxygen = plus(through((stop, 8.0), (stop + 0.4, 0.0)), noise(13, 0.03))
    share = share_of(oxygen, steady(20.0))
    courses = {**BREWING, "air_pump": pump, "dissolved_oxygen": oxygen, "oxygen_saturation": share}
    story = Story(10.5, courses, brews=[brewed()])
    assert story.alarms() == ["tea-air-stopped", "tea-oxygen-low", "tea-oxygen-share-low"]
    assert story.hour("tea-air-stopped") - stop <= 2 * MINUTE
    assert story.hour("tea-oxygen-low") - stop == pytest.approx((6 + 2) * MINUTE, abs=1.0 * MINUTE)


def test_a_pump_that_is_started_again_ends_its_alarm() -> None:
    """A plug pulled for three minutes to clean the air stone: one message, over when the air is back, no low oxygen."""
    pump: Course = lambda hours: np.where((hours < 10.0) | (hours > 10.05), 1.0, 0.0)  # noqa: E731
    story = Story(12, {**BREWING, "air_pump": pump}, brews=[brewed()])
    assert story.alarms() == ["tea-air-stopped"]
    assert story.over("tea-air-stopped") == pytest.approx(10.05 + MINUTE, abs=MINUTE)


def test_an_empty_brewer_without_air_alarms_nobody() -> None:
    """No brew, no air, no oxygen, cold water: not a word."""
    courses = {"air_pump": steady(0.0), "dissolved_oxygen": plus(steady(1.0), noise(14, 0.05))}
    courses |= {"oxygen_saturation": steady(11.0), "tea_temperature": plus(steady(10.0), noise(15, 0.05))}
    assert Story(48, courses).alarms() == []


def test_power_lost_to_pump_and_probe_together_is_told() -> None:
    """Nothing says that the pump stands; that nothing is said is told within six minutes."""
    gone: Course = lambda hours: np.where(hours < 10.0, 1.0, np.nan)  # noqa: E731
    story = Story(10.4, {**BREWING, "air_pump": gone}, brews=[brewed()])
    assert story.alarms() == ["tea-air-unknown"]
    assert story.hour("tea-air-unknown") - 10.0 <= 6 * MINUTE


def test_a_brew_past_its_window_is_told() -> None:
    """At 36 hours, and it is over when the brew is ended and the tea used."""
    story = Story(48, BREWING, brews=[brewed(ended=40.0)], entries=[noted(1, 41.0, DiaryKind.TEA_USED)])
    assert story.alarms() == ["tea-window-over"]
    assert story.hour("tea-window-over") == pytest.approx(1 + 36)
    assert story.over("tea-window-over") == pytest.approx(40.0)


@pytest.mark.parametrize(("used", "told"), [(27.0, []), (31.0, ["tea-stale"]), (None, ["tea-stale"])])
def test_tea_that_is_not_used_is_told_four_hours_after_its_air_stopped(used: float | None, told: Sequence[str]) -> None:
    """Used in time: not a word. Used later: over then."""
    entries = [] if used is None else [noted(1, used, DiaryKind.TEA_USED)]
    story = Story(48, {**BREWING, "air_pump": steady(0.0)}, brews=[brewed(ended=25.0)], entries=entries)
    assert [name for name in story.alarms() if name != "tea-air-stopped"] == told
    if told:
        assert story.hour("tea-stale") == pytest.approx(25 + 4)
    if used and told:
        assert story.over("tea-stale") == pytest.approx(used)


@pytest.mark.parametrize(("celsius", "told"), [(28.0, ["tea-warm"]), (12.0, ["tea-cold"]), (22.0, [])])
def test_a_brew_too_warm_or_too_cold_is_told(celsius: float, told: list[str]) -> None:
    """Within the hour."""
    courses = {**BREWING, "tea_temperature": plus(steady(celsius), noise(16, 0.05))}
    courses["oxygen_saturation"] = share_of(courses["dissolved_oxygen"], steady(celsius))
    story = Story(12, courses, brews=[brewed()])
    assert story.alarms() == told


def test_a_brew_that_uses_oxygen_as_fast_as_it_comes_is_told_at_altitude_too() -> None:
    """At 5 mg/L and 40 % of saturation both speak; a tired air stone at 6.4 mg/L and 15 degC is told by its share."""
    low = plus(steady(5.0), noise(17, 0.05))
    tired = plus(steady(6.35), noise(18, 0.05))
    both = {**BREWING, "dissolved_oxygen": low, "oxygen_saturation": share_of(low, steady(20.0))}
    cool = {**BREWING, "dissolved_oxygen": tired, "oxygen_saturation": share_of(tired, steady(15.5))}
    assert sorted(Story(6, both, brews=[brewed()]).alarms()) == ["tea-oxygen-low", "tea-oxygen-share-low"]
    assert Story(6, cool, brews=[brewed()]).alarms() == ["tea-oxygen-share-low"]


# ---- room, probes, hands -----------------------------------------------------------------------------------------


def test_dry_winter_air_is_one_message() -> None:
    """Five days of frost outside; a full class dampens the air each day, and that does not make five messages of it."""
    class_in: Course = lambda hours: np.where((hours % 24 >= 8) & (hours % 24 < 13), 14.0, 0.0)  # noqa: E731
    story = Story(120, {**QUIET, "air_humidity": plus(steady(20.0), class_in, noise(19, 0.5))})
    assert story.alarms() == ["room-air-dry"]


def test_a_probe_that_always_says_the_same_is_told_as_doubtful() -> None:
    """Once its readings are flagged as a flat line, within three hours."""
    flags: Course = lambda hours: np.where(hours < 24, 1.0, 3.0)  # noqa: E731
    story = Story(30, QUIET, flags={"bedding_temperature": flags})
    assert story.alarms() == ["probe-doubtful"]
    assert 24 + 2 < story.hour("probe-doubtful") < 24 + 3


def test_a_battery_that_runs_down_is_told_days_ahead() -> None:
    """A lithium cell from 3.5 to 3.2 V in two weeks: one message."""
    story = Story(336, {**QUIET, "battery": plus(through((0, 3.5), (336, 3.2)), noise(20, 0.01))})
    assert story.alarms() == ["probe-battery-low"]


def test_hand_and_probe_that_disagree_are_told_until_they_agree() -> None:
    """Felt dry beside a probe that says 84 %: told; felt damp the next day: over."""
    entries = [noted(1, 10.0, DiaryKind.SQUEEZE, result=Feel.DRY), noted(2, 34.0, DiaryKind.SQUEEZE, result=Feel.DAMP)]
    story = Story(48, {**QUIET, "bedding_moisture": plus(steady(84.0), noise(21, 0.3))}, entries=entries)
    assert story.alarms() == ["squeeze-disagrees"]
    assert story.hour("squeeze-disagrees") == pytest.approx(10.25, abs=0.1)
    assert story.over("squeeze-disagrees") == pytest.approx(34.25, abs=0.1)


@pytest.mark.parametrize(
    ("measure", "course", "told"),
    [
        ("disk_free", through((1, 900), (5, 300)), "disk-low"),
        ("backlog", through((1, 0), (2, 1440)), "storing-stopped"),
        ("mail_waiting", through((1, 0), (5, 240)), "mail-failing"),
        ("clock_step", lambda hours: np.where(np.abs(hours - 2) < 5 * MINUTE, 3600.0, 0.0), "clock-jumped"),
        ("restarts", lambda hours: 1 + np.floor(hours), "restarted-often"),
        ("journal_sound", lambda hours: np.where(hours > 2, 60 * (hours - 2), 20_160.0), "journal-damaged"),
        ("journal_unread", lambda hours: np.maximum(0.0, 60 * (hours - 2)), "journal-unreadable"),
        ("session_kept", lambda hours: np.where(hours > 2, 60 * (hours - 2), 20_160.0), "broker-forgot"),
        ("not_kept", through((1, 0), (2, 720)), "readings-not-kept"),
    ],
)
def test_what_the_collector_knows_of_itself_is_told(measure: str, course: Course, told: str) -> None:
    """Each measure trips its own alarm once, and the usual figures of the others none."""
    usual = {"disk_free": 20_000.0, "backlog": 3.0, "mail_waiting": 0.0, "clock_step": 0.1, "restarts": 1.0}
    usual |= {"journal_unread": 0.0, "journal_sound": 20_160.0, "session_kept": 20_160.0, "not_kept": 2.0}
    courses = {name: steady(value) for name, value in usual.items()} | {measure: course}
    assert Story(6, courses).alarms() == [told]
