"""Single values of lab.yaml: zones, keys, topics, pointers, names, addresses."""

from datetime import date

import pytest

from collector.config.lab_file import read_lab
from collector.domain.lab import (
    Person,
)
from tests.config.lab_texts import refusals, with_channel, with_probe


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("utc", "'utc' is not a time zone of the IANA database; did you mean 'UTC'?"),
        ("localtime", "'localtime' is not a time zone of the IANA database; write it like 'UTC' or 'Continent/City'"),
        ("posix/UTC", "'posix/UTC' is not a time zone of the IANA database; write it like 'UTC' or 'Continent/City'"),
        ("gmt+9", "'gmt+9' is not a time zone of the IANA database; did you mean 'Etc/GMT+9'?"),
        ("../UTC", "'../UTC' is not a time zone of the IANA database; did you mean 'UTC'?"),
        ("/etc/passwd", "'/etc/passwd' is not a time zone of the IANA database; write it like 'UTC' or "
         "'Continent/City'"),
        ("Europe", "'Europe' is not a time zone of the IANA database; write it like 'UTC' or 'Continent/City'"),
        ("Etc/GMT+99", "'Etc/GMT+99' is not a time zone of the IANA database; did you mean 'Etc/GMT+9'?"),
        ('""', "'' is not a time zone of the IANA database; write it like 'UTC' or 'Continent/City'"),
        ("X" * 300, f"'{'X' * 56}... is not a time zone of the IANA database; write it like 'UTC' or "
         "'Continent/City'"),
    ],
)  # fmt: skip
def test_time_zones_are_those_of_the_iana_database(written: str, said: str) -> None:
    """A zone that is not in the database, and a file of it that is no zone, is refused with the nearest one."""
    assert refusals(f"lab: {{name: a, time_zone: {written}}}") == [f"lab.time_zone: {said}"]


@pytest.mark.parametrize(
    ("key", "said"),
    [
        ("Top", "'Top' cannot be a key; use lower-case letters, digits and '-' between them, did you mean 'top'?"),
        ("a--b", "'a--b' cannot be a key; use lower-case letters, digits and '-' between them, did you mean 'a-b'?"),
        ('"*"', "'*' cannot be a key; use lower-case letters, digits and '-' between them, like 'juniper'"),
        ("k" * 41, "the key has 41 characters; 40 is the most"),
    ],
)
def test_keys_are_lower_case_words(key: str, said: str) -> None:
    """A key that cannot stand in a place id, a topic or a command is refused with one that can."""
    assert refusals(f"lab: {{name: a, time_zone: UTC}}\nbins: {{{key}: }}")[0].endswith(f": {said}")


@pytest.mark.parametrize(
    ("topic", "said"),
    [
        ("a/#", "'a/#' holds '#', which takes in too much; use '+' for one level"),
        ("a+/b", "'a+/b': '+' stands for a whole level, like 'worms/+/top'"),
        ('""', "is empty; write the topic the probe publishes to, like 'worms/juniper/top'"),
        ('"a\\0b"', "holds the control character U+0000, which a topic cannot hold"),
        ("$share/group/a", "'$share/group/a' is a shared subscription; write the topic itself"),
        ("é" * 32768, "is longer than the 65,535 bytes of an MQTT topic"),
    ],
)
def test_topics_are_valid_for_mqtt(topic: str, said: str) -> None:
    """What a broker would refuse, or take in too much of, is refused here (MQTT 5.0 sections 1.5.4 and 4.7)."""
    text = with_probe(
        f"{{place: room, topic: {topic}, format: number, channels: {{c: {{measure: battery, unit: V}}}}}}"
    )
    assert refusals(text) == [f"probes.one.topic: {said}"]


@pytest.mark.parametrize("topic", ["a", "/a", "a//b", "+/a/+", "$SYS/a", "a b", "é" * 32767, "a,b"])
def test_odd_topics_that_mqtt_allows_are_taken(topic: str) -> None:
    """Empty levels, spaces and the longest topic are legal."""
    text = f'{{place: room, topic: "{topic}", format: number, channels: {{c: {{measure: battery, unit: V}}}}}}'
    assert read_lab(with_probe(text)).probes[0].topic == topic


@pytest.mark.parametrize("pointer", ["", "/a", "/a/0", "/a~1b/~0", "/ /é", "//"])
def test_json_pointers_are_those_of_rfc_6901(pointer: str) -> None:
    """Every form that RFC 6901 section 3 allows is taken, also the one to the whole document."""
    text = (
        f'{{place: room, topic: a, format: json, channels: {{c: {{pointer: "{pointer}", measure: battery, unit: V}}}}}}'
    )
    assert read_lab(with_probe(text)).probes[0].channels[0].name == pointer


@pytest.mark.parametrize(
    ("pointer", "said"),
    [
        ("a", "'a' is not a JSON Pointer; start it with '/', like '/a'"),
        ("a~b", "'a~b' is not a JSON Pointer; start it with '/', like '/a~0b'"),
        ("/a~2", "'/a~2' is not a JSON Pointer; in a key, write '~' as '~0' and '/' as '~1'"),
        ("/~", "'/~' is not a JSON Pointer; in a key, write '~' as '~0' and '/' as '~1'"),
    ],
)
def test_what_is_no_json_pointer_is_refused(pointer: str, said: str) -> None:
    """A pointer that could never match is told before the probe stays silent."""
    text = (
        f'{{place: room, topic: a, format: json, channels: {{c: {{pointer: "{pointer}", measure: battery, unit: V}}}}}}'
    )
    assert refusals(with_probe(text)) == [f"probes.one.channels.c.pointer: {said}"]


def test_an_empty_pointer_to_the_time_is_refused() -> None:
    """The whole document cannot be both the time and the readings."""
    text = '{place: room, topic: a, format: json, time: "", channels: {c: {pointer: /a, measure: battery, unit: V}}}'
    assert refusals(with_probe(text)) == [
        "probes.one.time: is empty; leave the key out where the payload carries no time"
    ]


def test_an_empty_record_name_needs_a_base_name() -> None:
    """A record named by its base name alone is legal SenML; a record with no name at all is not."""
    probe = '{place: room, topic: a, format: senml, %schannels: {c: {name: "", measure: battery, unit: V}}}'
    assert read_lab(with_probe(probe % 'senml_name: "urn:x", ')).probes[0].channels[0].name == ""
    assert refusals(with_probe(probe % "")) == [
        "probes.one.channels.c.name: is empty; an empty name needs a senml_name on the probe"
    ]


@pytest.mark.parametrize(("every", "ms"), [("1 s", 1000), ("1.5 s", 1500), ("1 d", 86_400_000)])
def test_reporting_intervals_from_a_second_to_a_day(every: str, ms: int) -> None:
    """Both ends are taken."""
    text = f"{{place: room, topic: a, format: number, every: {every}, channels: {{c: {{measure: battery, unit: V}}}}}}"
    assert read_lab(with_probe(text)).probes[0].every_ms == ms


@pytest.mark.parametrize("every", ["999 ms", "0.9 s", "25 h", "0 s", "-1 min", "60", "soon"])
def test_other_reporting_intervals_are_refused(every: str) -> None:
    """Outside the bounds, or without a unit, nothing is taken in silence."""
    text = f"{{place: room, topic: a, format: number, every: {every}, channels: {{c: {{measure: battery, unit: V}}}}}}"
    (said,) = refusals(with_probe(text))
    assert said.startswith("probes.one.every: ")


@pytest.mark.parametrize(
    "address",
    ["teacher@quillbrook.example", "a.b+c@x-1.y.example", "root@localhost", "o'neill@quillbrook.example"],
)
def test_mail_addresses_are_taken(address: str) -> None:
    """Addresses as people have them."""
    text = f'lab: {{name: a, time_zone: UTC}}\npeople: {{teacher: {{email: "{address}"}}}}'
    assert read_lab(text).people == (Person(role="teacher", email=address),)


@pytest.mark.parametrize(
    "address",
    [
        "",
        "teacher",
        "teacher@",
        "@quillbrook.example",
        "teacher@quillbrook",
        "a@b@quillbrook.example",
        "a b@quillbrook.example",
        ".a@quillbrook.example",
        "a..b@quillbrook.example",
        "a@-x.example",
        "a@x..example",
        "Teacher <teacher@quillbrook.example>",
        "a@quillbrook.example,b@quillbrook.example",
        "a@quillbrook.example\\r\\nBcc: b@quillbrook.example",
        "a@quillbrook.example\\u2028",
        "a@quillbrook.example\\0",
        "a@" + "x" * 64 + ".example",
        "a" * 65 + "@quillbrook.example",
        "a@" + "x.example." * 30 + "example",
        "ä@quillbrook.example",
    ],
)
def test_what_is_no_mail_address_or_would_forge_a_header_is_refused(address: str) -> None:
    """Names around the address, two addresses, control characters and wrong shapes never reach a mail header."""
    (said,) = refusals(f'lab: {{name: a, time_zone: UTC}}\npeople: {{teacher: {{email: "{address}"}}}}')
    assert said.startswith("people.teacher.email: ")


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("a\\nb", "holds the control character U+000A; write it as one line of plain text"),
        ("a\\u202eb", "holds the control character U+202E; write it as one line of plain text"),
        (" ", "is empty; write a name or leave the key out"),
        ("x" * 81, "has 81 characters; 80 is the most"),
    ],
)
def test_names_can_stand_in_a_subject_line(name: str, said: str) -> None:
    """Control characters, direction overrides, blanks and very long names are refused wherever a name stands."""
    text = f'lab: {{name: "{name}", time_zone: UTC}}\nroom: {{name: "{name}"}}\nbins: {{one: {{name: "{name}"}}}}'
    assert refusals(text) == [f"lab.name: {said}", f"room.name: {said}", f"bins.one.name: {said}"]


def test_a_note_is_bounded_but_may_be_empty() -> None:
    """Notes are one line of at most 300 characters."""
    calibration = '{from: 2026-01-01, points: [[1, 1 V], [2, 2 V]], note: "%s"}'
    channel = f"{{name: a, measure: battery, unit: V, calibration: [{calibration}]}}"
    assert read_lab(with_channel(channel % "")).probes[0].channels[0].calibrations[0].note == ""
    (said,) = refusals(with_channel(channel % ("x" * 301)))
    assert said.endswith("note: has 301 characters; 300 is the most")


def test_a_choice_that_is_like_nothing_known_is_answered_with_all_of_them() -> None:
    """Where no nearest word helps, the whole list does."""
    text = with_probe("{place: room, topic: a, format: xml, channels: {c: {measure: battery, unit: furlong}}}")
    assert refusals(text) == [
        "probes.one.format: 'xml' is not a payload format; known: senml, senml-cbor, json, number",
        "probes.one.channels.c.unit: 'furlong' is not a unit that probes send; known: Cel, degC, K, degF, /, /100, %, "
        "%RH, kg/m3, mg/L, on/off, count, V, mV, A, mA, Ohm, Hz, Pa",
    ]


@pytest.mark.parametrize(("text", "minutes"), [("00:00", 0), ("07:05", 425), ("23:59", 1439)])
def test_times_of_day(text: str, minutes: int) -> None:
    """To the minute, both ends of the day."""
    assert (
        read_lab(f'lab: {{name: a, time_zone: UTC}}\nmessages: {{digest: "{text}"}}').telling.digest_minute == minutes
    )


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("7:30", '450 is not a time of day; write it in quotes, like "07:30"'),
        ('"7:30"', "'7:30' is not a time of day; write it in quotes, like \"07:00\""),
        ('"24:00"', "'24:00' is not a time of day; write it in quotes, like \"07:00\""),
        ("7", '7 is not a time of day; write it in quotes, like "07:00"'),
        ("yes", 'True is not a time of day; write it in quotes, like "07:00"'),
    ],
)
def test_what_is_no_time_of_day_is_answered_with_one(written: str, said: str) -> None:
    """YAML makes 7:30 the number 450; the answer says what was meant."""
    assert refusals(f"lab: {{name: a, time_zone: UTC}}\nmessages: {{digest: {written}}}") == [
        f"messages.digest: {said}"
    ]


@pytest.mark.parametrize("share", ["5 %", "100 %"])
def test_the_share_before_the_next_step_has_both_its_ends(share: str) -> None:
    """From a twentieth of the time to all of it."""
    lab = read_lab(f"lab: {{name: a, time_zone: UTC}}\nmessages: {{pass_on_after: {share}}}")
    assert lab.telling.pass_on_percent == float(share[:-2])


@pytest.mark.parametrize("share", ["4.9 %", "101 %", "nan %", "40", "1 h"])
def test_other_shares_are_refused(share: str) -> None:
    """Outside, or no share at all."""
    (said,) = refusals(f"lab: {{name: a, time_zone: UTC}}\nmessages: {{pass_on_after: {share}}}")
    assert said.startswith("messages.pass_on_after: ")


def test_a_year_of_holidays_is_taken_and_a_day_more_is_a_slip() -> None:
    """2028 has 366 days."""
    lab = "lab: {name: a, time_zone: UTC, holidays: [2028-01-01 to %s]}"
    assert read_lab(lab % "2028-12-31").school_days.closed == ((date(2028, 1, 1), date(2028, 12, 31)),)
    (said,) = refusals(lab % "2029-01-01")
    assert said == "lab.holidays[0]: '2028-01-01 to 2029-01-01' has 367 days; 366 is the most"


@pytest.mark.parametrize("bedding", ["0 kg", "1001 kg", "5", "5 L"])
def test_a_tray_holds_some_bedding_and_not_a_heap(bedding: str) -> None:
    """A mass, more than nothing, at most a tonne."""
    (said,) = refusals(f"lab: {{name: a, time_zone: UTC}}\nbins: {{b: {{trays: {{t: {{bedding: {bedding}}}}}}}}}")
    assert said.startswith("bins.b.trays.t.bedding: ")


def test_the_dry_mass_follows_from_the_moist_one() -> None:
    """Wet basis: 5 kg at 80 % are 1 kg dry, at 75 % by itself 1.25 kg; dry bedding is all dry mass."""
    trays = "{a: {bedding: 5 kg, moisture: 80 %}, b: {bedding: 5000 g}, c: {bedding: 5 kg, moisture: 0 %}, d: }"
    lab = read_lab(f"lab: {{name: a, time_zone: UTC}}\nbins: {{bin: {{trays: {trays}}}}}")
    masses = [lab.by_id[f"bin/{tray}"].dry_kg for tray in "abcd"]
    assert masses == [pytest.approx(1.0), pytest.approx(1.25), 5.0, None]
