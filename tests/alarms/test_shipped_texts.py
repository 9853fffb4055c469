"""What the alarms that ship say to people: consequence, corrective action and basis of each."""

import re
from contextlib import redirect_stdout
from io import StringIO

import pytest

from collector.alarms.model import Rule
from collector.cli.known_commands import build_parser
from collector.domain.said_quantities import in_units_of
from collector.domain.squeeze import feel_of
from tests.alarms.bench_lab import MIN
from tests.alarms.shipped_sets import BEDDING, OWNS, RULES, TEA, H


@pytest.fixture(params=list(RULES.values()), ids=list(RULES))
def alarm(request: pytest.FixtureRequest) -> Rule:
    """Each shipped alarm in turn."""
    assert isinstance(request.param, Rule)
    return request.param


def test_every_alarm_is_rationalised(alarm: Rule) -> None:
    """Consequence, corrective action, time to respond and basis, each long enough to say something."""
    assert len(alarm.consequence) > 60
    assert len(alarm.corrective_action) > 100
    assert len(alarm.basis) > 100
    assert alarm.time_to_respond_ms >= (15 * MIN if alarm.name in TEA else 4 * H)


def test_every_consequence_says_by_when(alarm: Rule) -> None:
    """What happens is told with how soon: minutes, hours, a night, days, a week."""
    assert re.search(r"minute|hour|night|day|week", alarm.consequence)


def test_every_corrective_action_is_something_to_do(alarm: Rule) -> None:
    """It names things to do with one's hands; about the collector itself, a command for the maintainer to type."""
    if alarm.name in OWNS and alarm.name != "broker-lost":
        assert re.search(
            r"For the maintainer: .*\b(run|read|find out)\b.*(traywarden [a-z]+|timedatectl)", alarm.corrective_action
        )
    else:
        doing = "spray|open|squeeze|feel|carry|move|spread|halve|charge|see whether|see that|close|push|pull|shade|pour"
        assert re.search(rf"\b({doing})\b", alarm.corrective_action, re.IGNORECASE)


def test_the_commands_that_are_named_are_there(alarm: Rule) -> None:
    """Every 'traywarden ...' in a text is a command of this version."""
    said = f"{alarm.corrective_action} {alarm.basis}"
    for words in re.findall(r"traywarden ((?:[a-z]+ ?){1,3})", said):
        name, *rest = words.split()
        arguments = [name, *rest[:1]] if name in ("brew", "diary", "probes", "rules") else [name]
        with pytest.raises(SystemExit) as ended, redirect_stdout(StringIO()):
            build_parser().parse_args([*arguments, "--help"])
        assert ended.value.code == 0, words


def test_sentences_are_short(alarm: Rule) -> None:
    """Read on a telephone in a hurry: no sentence of more than 24 words, and no words of the trade."""
    shown = [in_units_of(text, us) for text in (alarm.consequence, alarm.corrective_action) for us in (False, True)]
    for text in shown:
        sentences = re.split(r"(?<=[.:;])\s", text)
        assert max(len(sentence.split()) for sentence in sentences) <= 24
        assert not re.search(r"setpoint|wet basis|gravimetric|deadband|vapour|degC", text)


def test_the_basis_says_where_sources_disagree_or_that_there_is_none(alarm: Rule) -> None:
    """A threshold names its sources and how they disagree; figures without a source say so."""
    assert "ommon practice, no source" in alarm.basis
    if alarm.name in BEDDING and alarm.measure.startswith("bedding"):
        assert "isagree" in alarm.basis
        assert re.search(r"Edwards|Kaplan|extension|One hobby log|laboratory", alarm.basis)


def test_only_known_sources_are_named(alarm: Rule) -> None:
    """Years stand only beside works that the project has looked up."""
    known = r"2nd ed\. 2004|Edwards 1988|FAO 2011|and others 1980|and others 1996|NOSB 2002|Krause 1984|Penman 1963"
    known += r"|Theil 1950|Sen 1968|Palmer 2010|Pearson 2015|\(2003-2005\)"
    assert not re.findall(r"\b(?:19|20)[0-9]{2}\b(?! m)", re.sub(known, "", alarm.basis))


def test_who_touches_bedding_is_told_to_wash(alarm: Rule) -> None:
    """Food safety: every action that puts hands into bedding or tea ends at the sink."""
    touching = r"squeeze|cardboard until|newspaper into|feed pocket|spread the bedding|castings|into the water|tea now"
    if re.search(touching, alarm.corrective_action, re.IGNORECASE):
        assert re.search(r"wash your hands", alarm.corrective_action, re.IGNORECASE)


def test_where_tea_is_poured_food_is_kept_clear() -> None:
    """Whatever tells people to use tea says what it must not touch."""
    using = [rule for rule in TEA.values() if re.search(r"use th|tea now", rule.corrective_action, re.IGNORECASE)]
    assert {rule.name for rule in using} == {"tea-air-stopped", "tea-window-over", "tea-stale"}
    assert all("eaten raw" in rule.corrective_action for rule in using)


def test_tea_is_poured_and_never_sprayed() -> None:
    """Tea in the air is breathed in: who uses it pours it, some stay away, and cuts are covered."""
    for name in ("tea-air-stopped", "tea-window-over", "tea-stale"):
        said = RULES[name].corrective_action
        assert "Pour tea, never spray it" in said
        assert "whoever has asthma or a weak immune system stays away" in said
        assert "Wear gloves over cuts" in said


def test_no_bin_is_carried_whole_and_no_child_lifts_it(alarm: Rule) -> None:
    """Four full trays are more than anybody should carry: adults, tray by tray."""
    said = alarm.corrective_action
    assert not re.search(r"carry the bin|carry it|^move the bin|\. Move the bin", said, re.IGNORECASE)
    if re.search(r"move the bins?\b", said):
        assert re.search(r"[Aa]dults move the bins?, tray by tray,", said)


def test_nearly_finished_castings_get_no_paper() -> None:
    """Paper mixed into castings puts the harvest off: the lowest trays are drained or harvested."""
    for name in ("bedding-wet", "bedding-waterlogged"):
        said = RULES[name].corrective_action
        assert "The lowest trays are nearly finished: add no paper there, let them drain, or harvest them." in said
        assert re.search(r"a tray that is being fed (mix|work in)", said)


def test_standing_water_loses_chlorine_and_not_chloramine(alarm: Rule) -> None:
    """Who is told to let tap water stand is told what that does not do."""
    if "overnight" in alarm.corrective_action and "tap water" in alarm.corrective_action.lower():
        assert "lost its chlorine, but not chloramine" in alarm.corrective_action


def test_where_a_squeeze_test_is_to_be_noted_its_answers_stand() -> None:
    """In the words of the hand, each one taken and meaning what the text says."""
    said = RULES["squeeze-disagrees"].corrective_action
    for words, feel in (("crumbles", "dry"), ("holds together", "damp"), ("a drop", "damp"), ("drips", "wet")):
        assert words in said
        assert feel_of(words) == feel


def test_the_edge_of_the_good_band_is_not_called_more() -> None:
    """At 70 % worms grow less; no source has them stop breeding there."""
    drying = RULES["bedding-drying"]
    assert "breed" not in drying.consequence
    assert "dry edge of the good band" in drying.basis


def test_who_reaches_into_the_brewer_pulls_the_plug_first() -> None:
    """Mains power beside water: reaching in, lifting out and moving the brewer are told with the plug."""
    for rule in TEA.values():
        if re.search(r"air stone|lift out|move the brewer|into the water|clean the brewer", rule.corrective_action):
            assert re.search(r"(pull the|with its) plug", rule.corrective_action, re.IGNORECASE), rule.name


@pytest.mark.parametrize(
    ("name", "caution"),
    [
        ("bedding-hot", "GFCI or RCD"),
        ("bedding-waterlogged", "switched off first"),
        ("bedding-waterlogged", "Never pour leachate on anything people will eat"),
        ("bedding-wet", "Never pour leachate on anything people will eat"),
        ("bedding-near-freezing", "electric heaters away from wet bedding"),
        ("bedding-freezing-ahead", "electric heaters away from wet bedding"),
        ("bedding-cool", "Do not use an electric heater"),
        ("room-air-cold", "Do not use an electric heater"),
        ("tea-air-stopped", "with dry hands"),
        ("tea-air-stopped", "GFCI or RCD"),
        ("tea-air-stopped", "switched off first"),
        ("tea-air-unknown", "dry hands"),
        ("tea-warm", "well above the water"),
        ("tea-cold", "Never put a heater into the brewer"),
        ("tea-stale", "grows no food"),
        ("probe-battery-low", "never overnight"),
        ("broker-lost", "dry hands"),
        ("probe-silent", "dry hands"),
    ],
)
def test_cautions_stand_where_they_belong(name: str, caution: str) -> None:
    """Mains power near water, leachate and tea near food, charging lithium cells."""
    assert caution in RULES[name].corrective_action


def test_the_dryness_alarm_reads_easily() -> None:
    """The first mail a newcomer sees: no unit beyond what is in a kitchen, no jargon."""
    dry = RULES["bedding-dry"]
    shown = [in_units_of(text, us) for text in (dry.consequence, dry.corrective_action) for us in (False, True)]
    for text in shown:
        assert not re.search(r"leachate|mL|%", text)
