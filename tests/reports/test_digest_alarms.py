"""Of one trouble at one place the worst speaks in the digest, as in the messages."""

from dataclasses import replace

from collector.alarms.model import Rule
from collector.reports.digest import subject
from collector.reports.digest_alarms import Past, Standing
from tests.alarms.shipped_sets import RULES
from tests.letters.examples import HOUR, MINUTE, TOP_MOISTURE, TOP_TEMPERATURE, at
from tests.reports.test_digest import MORNING, QUIET, TEACHER, told
from tests.worlds.values import series

PUMP = series(30, "air_pump", "kettle", unit="on/off")
OXYGEN = series(31, "dissolved_oxygen", "kettle", unit="mg/L")
SHARE = series(32, "oxygen_saturation", "kettle", unit="%")
ELSEWHERE = replace(TOP_MOISTURE, id=33, place="maple/top")


def stands(name: str, where: object = TOP_MOISTURE, **changed: object) -> Standing:
    rule: Rule = replace(RULES[name], **changed)  # type: ignore[arg-type]
    return Standing(rule=rule, series=where, since_ms=MORNING - HOUR, acknowledged=False)  # type: ignore[arg-type]


def lines(*standing: Standing) -> tuple[str, ...]:
    return told(replace(QUIET, standing=standing)).get("Standing now", ())


def test_a_pump_that_stands_speaks_for_the_oxygen_that_falls() -> None:
    """One line of three alarms: the act that helps; the subject counts one."""
    three = (
        stands("tea-oxygen-share-low", SHARE),
        stands("tea-oxygen-low", OXYGEN),
        stands("tea-air-stopped", PUMP),
    )
    (only,) = lines(*three)
    assert only.startswith("Kettle: Restart the pump, with dry hands")
    assert "Air pump is off, since 06:00" in only
    assert "air valve" not in str(told(replace(QUIET, standing=three)))
    assert "1 alarm stands" in subject(replace(QUIET, standing=three), TEACHER)
    assert lines(stands("tea-oxygen-low", OXYGEN))[0].startswith("Kettle: Open the air valve wider")


def test_what_lies_ahead_is_inside_what_is_so() -> None:
    """Of other kinds and other measures, too: dry, drying fast and dry soon are one line and one alarm of the bin."""
    names = ("bedding-drying", "bedding-dry-ahead", "bedding-drying-fast", "bedding-dry")
    (only,) = lines(*map(stands, names))
    assert "Bedding moisture too low" in only
    assert "Juniper: 1 alarm" in told(replace(QUIET, standing=tuple(map(stands, names))))["The bins"][0]


def test_another_place_and_a_less_urgent_alarm_speak_for_nobody() -> None:
    """Nobody is left unwarned: a dry tray says nothing of the one in the other bin, nor a low alarm of a high one."""
    assert len(lines(stands("bedding-parched"), stands("bedding-dry", ELSEWHERE))) == 2
    lesser = stands("tea-air-stopped", PUMP, priority=RULES["bedding-drying"].priority)
    assert len(lines(lesser, stands("tea-oxygen-low", OXYGEN))) == 2


def gone(name: str, where: object, from_ms: int, to_ms: int) -> Past:
    return Past(rule=RULES[name], series=where, from_ms=from_ms, to_ms=to_ms)  # type: ignore[arg-type]


def test_what_came_and_went_inside_a_worse_one_is_not_told_apart() -> None:
    """Oxygen that fell while the pump stood and rose within a quarter of an hour after it; what began before it or
    lasted longer has its own line, and so has what came alone."""
    night = at(2, 22)
    pump = gone("tea-air-stopped", PUMP, night, night + 20 * MINUTE)
    inside = gone("tea-oxygen-low", OXYGEN, night + 5 * MINUTE, night + 34 * MINUTE)
    title = "Came and went since the last digest"
    both = told(replace(QUIET, past=(pump, inside)))[title]
    assert both == ("Kettle: air pump is off Sunday 22:00 to Sunday 22:20 (20 min)",)
    for other in (replace(inside, to_ms=night + 36 * MINUTE), replace(inside, from_ms=night - MINUTE)):
        assert len(told(replace(QUIET, past=(pump, other)))[title]) == 2
    assert len(told(replace(QUIET, past=(inside,)))[title]) == 1
    still = replace(stands("tea-air-stopped", PUMP), since_ms=night)
    assert title not in told(replace(QUIET, past=(inside,), standing=(still,)))
    hot = stands("bedding-hot", TOP_TEMPERATURE)
    assert title in told(replace(QUIET, past=(inside,), standing=(hot,)))
