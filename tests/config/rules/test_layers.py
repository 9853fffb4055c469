"""Layers: what a lab changes over what ships, where each value came from, and how each mistake is told."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from collector.alarms.model import Kind, Priority
from collector.config.rules.layers import (
    FIELDS,
    LayeredAlarm,
    Origin,
    RuleSet,
    examine_layers,
    read_layers,
    site_schema,
)
from collector.config.yaml.text import read_yaml
from collector.domain.lab import Format, Lab
from collector.domain.problems import Problem, Refused
from tests.alarms.shipped_example import FILE, NEW, REST, SHIPPED
from tests.worlds.rules import read_rules
from tests.worlds.values import AIR, MIN, probe, quillbrook

HERE = Path(__file__).parent
SITE = "rules/site.yaml"


def layered(*files: str) -> RuleSet:
    """The lab's files a.yaml, b.yaml, ... over the example; one file alone is site.yaml."""
    return read_layers(SHIPPED, _named(files))


def problems(*files: str) -> list[str]:
    with pytest.raises(Refused) as refused:
        layered(*files)
    return [str(problem) for problem in refused.value.problems]


def _named(files: tuple[str, ...]) -> dict[str, str]:
    names = [SITE] if len(files) == 1 else [f"rules/{letter}.yaml" for letter in "abc"]
    return dict(zip(names, files, strict=False))


def alarm(rules: RuleSet, name: str = "bedding-dry") -> LayeredAlarm:
    return next(one for one in rules.alarms if one.name == name)


def site(*lines: str) -> str:
    return "\n".join(["alarms:", *(f"  {line}" for line in lines), ""])


def lab() -> Lab:
    return quillbrook(probe("bench", "room", AIR, format=Format.NUMBER))


# ---- what holds --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("files", [(), ("",), ("alarms:\n",), ("# nothing\n", "alarms: {}\n")])
def test_without_changes_all_is_as_it_ships(files: tuple[str, ...]) -> None:
    """No files, or empty ones: the very rules of the shipped files, in their order."""
    rules = layered(*files)
    assert rules.rules == read_rules(SHIPPED)
    assert [one.changed for one in rules.alarms] == [(), (), ()]
    assert rules.notes == ()


def test_one_field_is_changed_and_the_rest_stays() -> None:
    """The field said here, and all others as they ship."""
    rules = layered(site("bedding-dry: {setpoint: 62 %}"))
    before, after = read_rules(SHIPPED)[0], alarm(rules).rule
    assert after.setpoint == 62.0
    assert [name for name in before.__slots__ if getattr(before, name) != getattr(after, name)] == [
        "setpoint",
        "source",
    ]
    assert rules.rules[1:] == read_rules(SHIPPED)[1:]


def test_every_value_knows_file_line_and_column_it_came_from() -> None:
    """A changed value names the lab's file, one that ships the shipped one; so does each of two lab files."""
    rules = layered("alarms:\n  bedding-dry:\n    setpoint: 62 %\n", site("bedding-dry: {priority: low}"))
    origins = alarm(rules).origins
    assert origins["setpoint"] == Origin(file="rules/a.yaml", line=3, column=15, site=True)
    assert origins["priority"] == Origin(file="rules/b.yaml", line=2, column=27, site=True)
    assert origins["deadband"] == Origin(file=FILE, line=7, column=15, site=False)
    assert origins.keys() == alarm(rules).values.keys()
    assert (str(origins["priority"]), str(origins["deadband"])) == ("rules/b.yaml:2", f"{FILE}:7 (ships)")
    assert alarm(rules).changed == ("setpoint", "priority")
    assert alarm(rules).shipped == read_yaml(SHIPPED[FILE], FILE).data["alarms"]["bedding-dry"]


def test_lists_are_replaced_whole() -> None:
    """A shorter list of places leaves nothing of the longer one behind."""
    assert alarm(layered(site("bedding-dry: {where: [maple/*]}"))).rule.where == ("maple/*",)
    assert alarm(layered(site("bedding-dry: {where: room}"))).rule.where == ("room",)


def test_null_takes_a_value_away() -> None:
    """As if it did not stand in what ships; where it was taken away is known."""
    taken = alarm(layered(site("bedding-dry: {deadband: null, where: null, on_delay: ~}")))
    assert (taken.rule.deadband, taken.rule.where, taken.rule.on_delay_ms) == (0.0, (), 0)
    assert "deadband" not in taken.values
    assert taken.origins["deadband"] == Origin(file=SITE, line=2, column=27, site=True)


def test_null_that_takes_nothing_away_is_doubted() -> None:
    """Likely a slip, and not worth refusing: what ships may change."""
    (note,) = layered(site("probe-silent: {deadband: null}")).notes
    assert str(note) == (
        "rules/site.yaml:2:28 alarms.probe-silent.deadband: warning: takes nothing away: it is not set in what ships"
    )


def test_an_alarm_that_is_switched_off_is_known_but_not_in_force() -> None:
    """It is listed, with where it was switched off, and no rule comes of it."""
    rules = layered(site("bedding-wet: {enabled: no}"))
    assert [rule.name for rule in rules.rules] == ["bedding-dry", "probe-silent"]
    off = alarm(rules, "bedding-wet")
    assert (off.enabled, off.origins["enabled"]) == (False, Origin(file=SITE, line=2, column=26, site=True))


def test_what_ships_switched_off_can_be_switched_on() -> None:
    """`enabled` is a field like any other."""
    shipped = {FILE: SHIPPED[FILE].replace("kind: silent", "kind: silent\n    enabled: no")}
    assert len(read_layers(shipped, {}).rules) == 2
    assert len(read_layers(shipped, {SITE: site("probe-silent: {enabled: yes}")}).rules) == 3


def test_a_new_alarm_stands_after_those_that_ship() -> None:
    """Complete, under a name of its own, also when two files say it between them."""
    new = alarm(layered(site(NEW)), "bench-cold")
    assert (new.shipped, new.rule.kind, new.rule.priority, new.rule.source) == (
        None,
        Kind.LOW,
        Priority.LOW,
        f"{SITE}:2",
    )
    halves = layered(site("z: {kind: low, measure: battery}"), site(f"z: {{setpoint: 3 V, {REST}}}"))
    assert [one.name for one in halves.alarms][-1] == "z"
    assert alarm(halves, "z").rule.setpoint == 3.0


def test_a_file_named_like_a_shipped_one_is_still_the_labs() -> None:
    """A copy of a shipped file, edited, changes what ships."""
    rules = read_layers(SHIPPED, {FILE: SHIPPED[FILE].replace("60 %", "64 %")})
    assert alarm(rules).rule.setpoint == 64.0
    assert all(origin.site for origin in alarm(rules).origins.values())


# ---- what is refused ---------------------------------------------------------------------------------------------


def test_every_mistake_is_told_at_once_with_its_place_and_what_would_be_right() -> None:
    """The lines for site_mistakes.yaml are those of site_mistakes.txt, word for word, in file order, none twice."""
    told = problems((HERE / "site_mistakes.yaml").read_text(encoding="utf-8"))
    assert told == (HERE / "site_mistakes.txt").read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (
            ["probe-silent: {setpoint: 5 min}"],
            f"{SITE}:2:28 alarms.probe-silent.setpoint: clashes with what ships: {FILE}:30"
            " alarms.probe-silent.off_delay: is not shorter than the setpoint; it could outlast the next silence",
        ),
        (
            ["bedding-wet: {kind: silent, setpoint: 30 min}"],
            f"{SITE}:2:23 alarms.bedding-wet.kind: clashes with what ships: {FILE}:20 alarms.bedding-wet.deadband:"
            " means nothing for kind silent; take it away with 'deadband: null'",
        ),
        (
            ["probe-silent: {where: broker, measure: battery, off_delay: 0 s}"],
            f"{SITE}:2:33 alarms.probe-silent.measure: means nothing for the link to the broker; remove it",
        ),
        (
            ["probe-silent: {off_delay: 40 min}"],
            f"{SITE}:2:29 alarms.probe-silent.off_delay: is not shorter than the setpoint; it could outlast the next"
            " silence",
        ),
    ],
)
def test_what_does_not_fit_together_is_told_at_the_labs_line(lines: list[str], said: str) -> None:
    """A shipped value that is wrong only beside a changed one: the changed one is where to look."""
    assert problems(site(*lines)) == [said]


def test_the_one_change_behind_it_is_named_among_several() -> None:
    """Of many changes of an alarm, in whichever file, the one without which all were well."""
    told = problems(
        site("probe-silent: {priority: high, basis: ours}"), site("probe-silent: {on_delay: 1 min, setpoint: 2 min}")
    )
    assert [one.partition(" clashes")[0] for one in told] == ["rules/b.yaml:2:45 alarms.probe-silent.setpoint:"]


def test_the_same_field_in_two_files_is_refused_with_both_places() -> None:
    """Which of them holds would depend on the names of the files; taking away counts as setting."""
    told = problems(site("bedding-dry: {setpoint: 62 %}"), site("bedding-dry: {setpoint: 63 %, deadband: 1 %}"))
    assert told == [
        "rules/b.yaml:2:27 alarms.bedding-dry.setpoint: is set at rules/a.yaml:2:27, too; keep one of the two"
    ]
    assert "is set at" in problems(site("bedding-dry: {deadband: ~}"), site("bedding-dry: {deadband: ~}"))[0]


def test_a_slip_in_a_name_is_one_line() -> None:
    """Not a list of all that a new alarm lacks, but the name that was meant."""
    assert problems(site("bedding-dri: {setpoint: 62 %}")) == [
        f"{SITE}:2:3 alarms.bedding-dri: no alarm that ships is called 'bedding-dri'; did you mean 'bedding-dry'? A new"
        " one also needs: kind, priority, consequence, corrective_action, time_to_respond, basis"
    ]
    assert problems(site("leaf-litter: {enabled: no}")) == [
        f"{SITE}:2:3 alarms.leaf-litter: no alarm that ships is called 'leaf-litter' and a new one also needs: kind,"
        " setpoint, priority, consequence, corrective_action, time_to_respond, basis"
    ]


def test_a_new_alarm_close_in_name_is_taken_when_it_is_complete() -> None:
    """A name like a shipped one is no mistake in itself."""
    assert alarm(layered(site(NEW.replace("bench-cold", "bedding-dryish"))), "bedding-dryish").shipped is None


def test_all_files_are_told_at_once_and_what_could_not_be_read() -> None:
    """Not YAML, wrong in itself, wrong beside what ships, and a file that could not be opened: all of them."""
    unread = Problem(file="rules/z.yaml", message="cannot be read: Permission denied")
    files = {
        "rules/a.yaml": "alarms: [",
        "rules/b.yaml": site("bedding-dry: {setpoint: 62}"),
        "rules/c.yaml": site("probe-silent: {setpoint: 1 min}"),
    }
    with pytest.raises(Refused) as refused:
        read_layers(SHIPPED, files, [unread])
    assert [one.file for one in refused.value.problems] == [*files, "rules/z.yaml"]


def test_a_mistake_in_what_ships_is_told_there() -> None:
    """Where the lab has nothing to do with it; a change beside it does not draw it over."""
    broken = {FILE: SHIPPED[FILE].replace("2 %", "2 V", 1)}
    for text in ("", site("bedding-dry: {setpoint: 62 %}")):
        with pytest.raises(Refused) as refused:
            read_layers(broken, {SITE: text})
        assert [(one.file, one.line) for one in refused.value.problems] == [(FILE, 7)]


def test_two_shipped_alarms_of_one_name_are_refused() -> None:
    """Shipped alarms are whole, so a second of the same name is a mistake of ours."""
    with pytest.raises(Refused) as refused:
        read_layers({**SHIPPED, "rules/z.yaml": site("probe-silent: {}")}, {})
    assert str(refused.value) == (
        f"rules/z.yaml:2:3 alarms.probe-silent: an alarm of this name stands at {FILE}:27; rename one"
    )


def test_what_is_good_can_be_had_beside_what_is_wrong() -> None:
    """For `rules check`: warnings of the good alarms come with the mistakes of the others."""
    rules, wrong = examine_layers(SHIPPED, {SITE: site("bedding-dry: {setpoint: 62}", "bedding-wet: {on_delay: 0 s}")})
    assert [one.name for one in rules.alarms] == ["bedding-wet", "probe-silent"]
    assert len(wrong) == 1
    assert [one.field for one in rules.warnings(lab())] == ["alarms.bedding-wet.on_delay"]


@given(
    st.dictionaries(
        st.sampled_from(["bedding-dry", "bedding-wt", "probe-silent", "x", "X y"]),
        st.dictionaries(
            st.sampled_from([*FIELDS, "colour"]),
            st.none()
            | st.booleans()
            | st.integers()
            | st.sampled_from(["60 %", "30 min", "broker", "low", "silent", ""]),
            max_size=4,
        )
        | st.none()
        | st.integers(),
        max_size=3,
    ),
    st.booleans(),
)
@settings(max_examples=50, deadline=None)
def test_no_change_breaks_the_reader(alarms: dict[str, Any], twice: bool) -> None:
    """Whatever a lab writes, the answer is rules, each with its origin, or problems, each in a file that was given."""
    text = str({"alarms": alarms}).replace("None", "null").replace("True", "yes").replace("False", "no")
    files = {SITE: text, **({"rules/two.yaml": text} if twice else {})}
    rules, wrong = examine_layers(SHIPPED, files)
    assert {one.file for one in wrong} <= {*files, FILE}
    assert all(one.line > 0 and one.column > 0 for one in wrong)
    assert all(one.origins.keys() >= one.values.keys() for one in rules.alarms)
    assert {one.file for one in rules.warnings(lab())} <= {*files, FILE}


# ---- what is doubted ---------------------------------------------------------------------------------------------


def test_a_warning_stands_at_the_value_it_is_about() -> None:
    """The line and column of the value, in the lab's file or in the shipped one."""
    assert layered("").warnings(lab()) == ()
    (told,) = layered(site("bedding-dry: {on_delay: 1 min}")).warnings(lab())
    assert str(told).startswith(f"{SITE}:2:27 alarms.bedding-dry.on_delay: warning: 1 min is under two")
    (told,) = layered(site(NEW.replace("on_delay: 30 min, ", ""))).warnings(lab())
    assert str(told).startswith(f"{SITE}:2:3 alarms.bench-cold.on_delay: warning: 0 s is under two")


def test_a_doubt_about_what_ships_is_told_at_the_change_behind_it() -> None:
    """A dry limit above the wet one: the lab's line, also where it is the shipped alarm that suffers."""
    far, told = layered(site("bedding-dry: {setpoint: 88 %}")).warnings(lab())
    assert str(far).startswith(f"{SITE}:2:27 alarms.bedding-dry.setpoint: warning: 88.0 % is far from the 60.0 %")
    assert str(told) == (
        f"{SITE}:2:27 alarms.bedding-dry.setpoint: warning: clashes with what ships: {FILE}:19"
        " alarms.bedding-wet.setpoint: high at 88 % is not above low at 88 % of 'bedding-dry' (rules/site.yaml:2): one"
        " of them always stands"
    )
    new = site(f"soggy: {{kind: low, measure: bedding_moisture, setpoint: 89 %, on_delay: 30 min, {REST}}}")
    (told,) = layered(new).warnings(lab())
    assert str(told).startswith(
        f"{SITE}:2:3 alarms.soggy: warning: clashes with what ships: {FILE}:19 alarms.bedding-wet"
    )


def test_a_doubt_about_what_ships_alone_stays_there() -> None:
    """In a lab that what ships does not suit, changes elsewhere are not blamed."""
    shipped = {FILE: SHIPPED[FILE].replace("on_delay: 20 min", "on_delay: 1 min")}
    rules = read_layers(
        shipped, {SITE: site("bedding-wet: {setpoint: 87 %}", "probe-silent: {setpoint: 4 min, off_delay: 1 min}")}
    )
    assert [(one.file, one.line) for one in rules.warnings(lab())] == [(FILE, 21)]


def test_what_is_switched_off_is_not_doubted() -> None:
    """Its values do no harm, and it clashes with nothing."""
    assert layered(site("bedding-dry: {setpoint: 88 %, enabled: no}")).warnings(lab()) == ()


def test_a_setpoint_far_from_what_ships_is_doubted() -> None:
    """Both ways for a value, in the lab's units; a silence only where it is let last much longer."""

    def said(change: str, us: bool = False) -> list[str]:
        warned = layered(site(change)).warnings(replace(lab(), us_units=us))
        return [f"{one.line} {one.field}: {one.message}" for one in warned]

    later = "it calls much later than its basis says"
    assert said("bedding-dry: {setpoint: 45 %}") == [
        f"2 alarms.bedding-dry.setpoint: 45.0 % is far from the 60.0 % that ships: {later}"
    ]
    assert "it calls much earlier than its basis says" in said("bedding-dry: {setpoint: 71 %}")[0]
    assert said("bedding-dry: {setpoint: 66 %}") == said("bedding-dry: {setpoint: 52 %}") == []
    assert said("probe-silent: {setpoint: 7 d}") == [
        f"2 alarms.probe-silent.setpoint: 7 d is far from the 30 min that ships: {later}"
    ]
    assert said("probe-silent: {setpoint: 90 min}") == said("probe-silent: {setpoint: 10 min, off_delay: 1 min}") == []


def test_a_lab_alarm_on_what_no_probe_measures_is_doubted() -> None:
    """What ships may speak of more than a lab has; what the lab writes itself is meant to call."""
    bare = replace(lab(), probes=())
    assert layered("").warnings(bare) == ()
    new = site(f"foul: {{kind: low, measure: dissolved_oxygen, setpoint: 5 mg/L, on_delay: 30 min, {REST}}}")
    (told,) = layered(new).warnings(bare)
    assert told.line == 2
    assert told.field == "alarms.foul.measure"
    assert told.message == "can never alarm: no probe of this lab measures dissolved oxygen"
    (told,) = layered(site("bedding-dry: {setpoint: 62 %}")).warnings(bare)
    assert (told.file, told.line) == (SITE, 2)
    assert told.message.endswith("can never alarm: no probe of this lab measures bedding moisture")


# ---- for editors -------------------------------------------------------------------------------------------------


def test_the_schema_takes_partial_alarms_and_null() -> None:
    """Editors accept what the reader accepts in a lab's file, and mark the commonest slips."""
    schema = site_schema()
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    good = ["bedding-dry: {setpoint: 62 %}", "bedding-wet: {deadband: null, enabled: no, where: room}", "x: {}", NEW]
    for text in (site(*good), SHIPPED[FILE]):
        assert [error.message for error in validator.iter_errors(read_yaml(text, SITE).data)] == []
    for bad in ("setpiont: 62 %", "kind: hihg", "on_delay: soon", "priority: null", "enabled: perhaps"):
        assert not validator.is_valid(read_yaml(site(f"bedding-dry: {{{bad}}}"), SITE).data), bad


def test_the_schema_keeps_what_it_says_about_each_field() -> None:
    """Hovering over a field still explains it."""
    properties = site_schema()["$defs"]["AlarmFields"]["properties"]
    assert tuple(properties) == FIELDS
    assert [name for name, said in properties.items() if not said.get("description")] == []


def test_times_and_texts_arrive_as_in_one_file() -> None:
    """A changed delay is in ms, a folded text one line: the same reading as of a shipped file."""
    changed = alarm(layered(site("bedding-dry:", "  on_delay: 0.5 h", "  basis: >-", "    our own", "    bedding")))
    assert (changed.rule.on_delay_ms, changed.rule.basis) == (30 * MIN, "our own bedding")
