"""`init` and `probes`: the files a person edits are kept, and rewritten whole or not at all."""

from pathlib import Path

import pytest

from collector.config.home import Home
from tests.cli.command_line import Commands, stock
from tests.store.disks import no_file_beyond
from tests.worlds.by_hand import ByHand


@pytest.fixture
def commands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Commands:
    stock(tmp_path / "home")
    return Commands(tmp_path / "home", capsys)


@pytest.fixture
def empty(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Commands:
    return Commands(tmp_path / "deep" / "new home", capsys)


# init


def test_init_writes_a_home_that_runs_as_it_stands(empty: Commands) -> None:
    """Folder, lab, rules and schemas; what it wrote is good and the next step is named."""
    out = empty.good("init")
    assert out.count("written  ") == 4
    assert f"traywarden checkup --home {empty.home}" in out
    home = Home(empty.home)
    assert home.load_lab().probes
    assert home.load_rules()
    assert "good" in empty.run("rules", "check").out


def test_init_again_keeps_what_was_edited(empty: Commands) -> None:
    """lab.yaml and the site's rules stay byte for byte; the schemas, which are ours, are made anew."""
    empty.good("init")
    edited = {"lab.yaml": b"# mine\r\n", "rules/site.yaml": b"alarms: {} # mine\n"}
    for name, data in edited.items():
        (empty.home / name).write_bytes(data)
    (empty.home / "lab.schema.json").write_text("{}")
    out = empty.good("init")
    assert out.count("kept     ") == 2
    assert {name: (empty.home / name).read_bytes() for name in edited} == edited
    assert len((empty.home / "lab.schema.json").read_text()) > 1_000


def test_init_where_nothing_can_be_written_is_one_line(empty: Commands) -> None:
    """A file where the folder should be; a disk with no room."""
    empty.home.parent.parent.joinpath("deep").write_text("x")
    assert "cannot be written" in empty.wrong("init")
    (empty.home.parent).unlink()
    with no_file_beyond(0):
        said = empty.run("init")
    assert said.code == 1
    assert len(said.err.splitlines()) == 1
    assert "cannot be written" in said.err


# probes


ASSIGN = ("probes", "assign", "maple-middle", "--at", "maple/middle", "--topic", "worms/maple/middle")
TEMPERATURE = ("--channel", "temperature=bedding_temperature,unit=Cel,model=ds18b20")


def test_probes_list_shows_each_channel_and_who_is_not_known(commands: Commands) -> None:
    """Newest value and flag; never heard ones too; strangers with a sample that cannot break the screen."""
    out = commands.good("probes", "list")
    lines = out.splitlines()
    assert any(line.startswith("juniper-top  ") and "31.2 °C" in line for line in lines)
    assert any(line.startswith("maple-top ") and line.endswith("never") for line in lines)
    assert any("room-air" in line and "  9  " in line for line in lines)
    assert any("worms/maple/middle" in line and "urn:dev:mac:77:temperature" in line for line in lines)
    assert any(line.startswith("worms/new ") and line.endswith("ff 00 1b") for line in lines)
    found = commands.json("probes", "list")
    assert [one["id"] for one in found["probes"]] == ["juniper-top", "juniper-middle", "maple-top", "room-air"]
    assert {one["topic"] for one in found["unplaced"]} == {"worms/maple/middle", "worms/new"}
    assert found["unplaced"][0]["first"] == "2026-03-02T08:03:00Z"


def test_probes_list_in_us_units(commands: Commands) -> None:
    """31.25 degC are 88.2 °F; JSON stays in degC."""
    lab = commands.home / "lab.yaml"
    lab.write_text(lab.read_text(encoding="utf-8").replace("units: metric", "units: us"), encoding="utf-8")
    out = commands.good("probes", "list")
    assert "88.2 °F" in out
    assert "°C" not in out
    newest = commands.json("probes", "list")["probes"][0]["newest"]["bedding_temperature"]
    assert (newest["value"], newest["unit"]) == (31.25, "degC")


def test_probes_list_says_why_messages_were_refused(commands: Commands) -> None:
    """Time, topic, reason and first bytes, the newest first; the table twenty of them, JSON the last fifty."""
    lab = ByHand(commands.home)
    for number in range(60):
        lab.say("worms/juniper/top", f'[{{"n":"temperature","u":"furlong","v":{number}}}]')
    lab.say("worms/juniper/top", b"\xff\x1b[31m")
    lab.commit()
    lab.close()
    lines = commands.good("probes", "list").splitlines()
    refused = lines[lines.index("refused lately (README says what a message should hold)") + 1 :]
    assert refused[0].split() == ["time", "topic", "reason", "first", "bytes"]
    assert "not JSON" in refused[1]
    assert refused[1].endswith("ff 1b 5b 33 31 6d")
    assert "has unit 'furlong', which is not bedding_temperature; the channel takes" in refused[2]
    assert refused[2].endswith('[{"n":"temperature","u":"furlong","v":59}]')
    assert (len(refused), refused[-1]) == (22, "30 more: traywarden probes list --json")
    found = commands.json("probes", "list")["refused"]
    assert len(found) == 50
    assert found[1].keys() == {"time", "topic", "reason", "first_bytes"}
    assert (found[1]["topic"], found[1]["first_bytes"]) == ("worms/juniper/top", refused[2].rpartition("  ")[2])


def unclaimed(commands: Commands) -> list[tuple[str, str]]:
    return [(one["topic"], one["name"]) for one in commands.json("probes", "list")["unplaced"]]


def test_what_was_assigned_is_unclaimed_no_more(commands: Commands) -> None:
    """At once, with no collector running: gone from the list and the count of status. Records of another name at the
    same topic stay, and what a probe that is taken out had claimed is there again."""
    lab = ByHand(commands.home)
    for name in ("urn:dev:mac:77:moisture", "urn:dev:mac:78:temperature"):
        lab.say("worms/maple/middle", f'[{{"n":"{name}","v":0.7}}]')
    lab.commit()
    lab.close()
    before = unclaimed(commands)
    assert len(before) == commands.json("status")["unplaced"] == 4
    commands.good(*ASSIGN, *TEMPERATURE, "--senml-name", "urn:dev:mac:77:")
    left = [("worms/maple/middle", "urn:dev:mac:78:temperature"), ("worms/maple/middle", "urn:dev:mac:77:moisture")]
    assert sorted(unclaimed(commands)) == sorted([*left, ("worms/new", "")])
    assert commands.json("status")["unplaced"] == 3
    assert "urn:dev:mac:77:temperature" not in commands.good("probes", "list")
    commands.good("probes", "remove", "maple-middle")
    assert unclaimed(commands) == before
    commands.good("probes", "assign", "new", "--at", "room", "--topic", "worms/+", "--format", "senml-cbor",
                  "--channel", "t=air_temperature,unit=Cel")  # fmt: skip
    assert ("worms/new", "") not in unclaimed(commands)


def test_assign_writes_an_entry_that_reads_back(commands: Commands) -> None:
    """All options; the rest of the file stays as it was, and its new text is good."""
    before = (commands.home / "lab.yaml").read_text(encoding="utf-8")
    out = commands.good(*ASSIGN, *TEMPERATURE, "--senml-name", "urn:dev:mac:77:", "--every", "5 min")
    assert "taken up" in out or "takes it up" in out
    (probe,) = (one for one in Home(commands.home).load_lab().probes if one.id == "maple-middle")
    assert (probe.place, probe.topic, probe.senml_name, probe.every_ms) == (
        "maple/middle",
        "worms/maple/middle",
        "urn:dev:mac:77:",
        300_000,
    )
    (channel,) = probe.channels
    assert (channel.measure, channel.unit, channel.model) == ("bedding_temperature", "Cel", "ds18b20")
    after = (commands.home / "lab.yaml").read_text(encoding="utf-8")
    assert set(before.splitlines()) <= set(after.splitlines())


def test_assign_knows_each_format(commands: Commands) -> None:
    """JSON by pointers with a time, and a bare number."""
    json_probe = ("probes", "assign", "mj", "--at", "maple/bottom", "--topic", "worms/mj", "--format", "json")
    commands.good(*json_probe, "--time", "/at", "--channel", "/bed/t=bedding_temperature,unit=degC")
    number = ("probes", "assign", "mn", "--at", "maple/middle", "--topic", "worms/mn", "--format", "number")
    commands.good(*number, "--channel", "value=bedding_moisture,unit=%")
    probes = {one.id: one for one in Home(commands.home).load_lab().probes}
    assert (probes["mj"].time_pointer, probes["mj"].channels[0].name) == ("/at", "/bed/t")
    assert (probes["mn"].channels[0].name, probes["mn"].channels[0].unit) == ("", "%")


@pytest.mark.parametrize(
    ("sent", "form", "says"),
    [
        (b'[{"n":"temperature","v":20.5}]', "number", 'no such message: [{"n":"temperature"'),
        (b'[{"n":"temperature","v":20.5}]', "senml-cbor", "give --format senml or json"),
        (b'{"bed":{"temperature":20.5}}', "senml", "give --format json"),
        (b"21.5", "senml", "no such message: 21.5; give --format number or json"),
        (bytes.fromhex("81a3006174"), "senml", "no such message: 81 a3 00 61 74; give --format senml-cbor"),
    ],
)
def test_a_format_that_the_samples_contradict_is_refused(commands: Commands, sent: bytes, form: str, says: str) -> None:
    """What came at the topic is plainly something else: it is shown, with the format to give; lab.yaml stays."""
    keep_unclaimed(commands, sent)
    before = (commands.home / "lab.yaml").read_bytes()
    channel = {"senml": "t", "senml-cbor": "t", "json": "/t", "number": "t"}[form] + "=bedding_temperature,unit=Cel"
    for topic in ("worms/other/one", "worms/+/one"):
        words = ("probes", "assign", "one", "--at", "maple/bottom", "--topic", topic, "--format", form)
        line = commands.wrong(*words, "--channel", channel)
        assert f"--format {form}: what comes at worms/other/one is" in line
        assert says in line
    assert (commands.home / "lab.yaml").read_bytes() == before


@pytest.mark.parametrize(
    ("sent", "form"),
    [(b'[{"n":"t","v":20.5}]', "senml"), (b"[20.5]", "json"), (b"21.5", "number"), (b"\xff\x00", "senml")],
)
def test_a_format_that_the_samples_may_be_in_is_taken(commands: Commands, sent: bytes, form: str) -> None:
    """Also where nobody can tell, and what comes at other topics does not matter."""
    keep_unclaimed(commands, sent)
    channel = "/0=bedding_temperature,unit=Cel" if form == "json" else "t=bedding_temperature,unit=Cel"
    words = ("probes", "assign", "one", "--at", "maple/bottom", "--topic", "worms/other/one", "--format", form)
    assert commands.good(*words, "--channel", channel).startswith("probe 'one' written")


def test_a_lab_that_never_ran_has_no_samples(empty: Commands) -> None:
    """Any format is taken."""
    empty.good("init")
    words = ("probes", "assign", "one", "--at", "room", "--topic", "worms/other/one", "--format", "number")
    empty.good(*words, "--channel", "t=air_temperature,unit=Cel")


def keep_unclaimed(commands: Commands, sent: bytes) -> None:
    lab = ByHand(commands.home)
    lab.say("worms/other/one", sent)
    lab.commit()
    lab.close()


@pytest.mark.slow
def test_a_raw_channel_is_assigned_before_it_is_calibrated(commands: Commands) -> None:
    """It says what that means, `checkup` notes it at its line, and the points can follow."""
    raw = ("--channel", "moisture=bedding_moisture,unit=count,model=capacitive")
    said = (
        "'count' is not bedding moisture yet: its readings are kept raw and no alarm judges them until it is"
        " calibrated: traywarden probes calibrate maple-middle moisture"
    )
    assert commands.good(*ASSIGN, *TEMPERATURE, *raw).splitlines()[1:] == [f"maple-middle moisture: {said}"]
    note = f"probes.maple-middle.channels.moisture.unit: warning: {said}"
    assert note in commands.run("checkup").out
    words = ("maple-middle", "moisture", "--from", "2026-03-02", "--point", "1950=62 %", "--point", "1620=84 %")
    commands.good("probes", "calibrate", *words)
    assert note not in commands.run("checkup").out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((*ASSIGN, "--channel", "temperature"), "write NAME=MEASURE"),
        ((*ASSIGN, "--channel", "=bedding_temperature"), "write NAME=MEASURE"),
        ((*ASSIGN, "--channel", "t=bedding_temperature,colour=red"), "'colour=red' is neither unit=... nor model=..."),
        ((*ASSIGN, "--channel", "t=bedding_temperature,unit="), "neither unit=... nor model=..."),
        ((*ASSIGN, "--channel", "t=beding_temperature"), "bedding_temperature"),
        ((*ASSIGN, "--channel", "t=bedding_temperature,unit=furlong"), "furlong"),
        ((*ASSIGN, *TEMPERATURE, "--every", "soon"), "--every: "),
        (("probes", "assign", "x y", *ASSIGN[3:], *TEMPERATURE), "x y"),
        ((*ASSIGN[:4], "maple/mddle", *ASSIGN[5:], *TEMPERATURE), "maple/middle"),
        ((*ASSIGN[:6], "worms/#", *TEMPERATURE), "#"),
        ((*ASSIGN[:6], "worms/juniper/top", *TEMPERATURE), "juniper-top"),
        (("probes", "calibrate", "maple-topp", "moisture", "--from", "2026-03-02", "--point", "1=2 %"), "maple-top"),
        (("probes", "calibrate", "maple-top", "moistre", "--from", "2026-03-02", "--point", "1=2 %"), "moisture"),
        (("probes", "calibrate", "maple-top", "moisture", "--from", "today", "--point", "1=2 %"), "today"),
        (("probes", "calibrate", "maple-top", "moisture", "--from", "2026-03-02", "--point", "wet"), "--point wet"),
        (("probes", "calibrate", "maple-top", "moisture", "--from", "2026-03-02", "--point", "1=2 %"), "two"),
    ],
)
def test_what_cannot_be_written_leaves_the_file_alone(
    commands: Commands, arguments: tuple[str, ...], says: str
) -> None:
    """Each mistake is one line or more that name it, exit 1, and lab.yaml stays byte for byte."""
    lab = commands.home / "lab.yaml"
    before = lab.read_bytes()
    said = commands.run(*arguments)
    assert (said.code, said.out) == (1, "")
    assert says in said.err
    assert "Traceback" not in said.err
    assert lab.read_bytes() == before


def test_calibrate_writes_points_that_are_used(commands: Commands) -> None:
    """The new line holds from its date; the note says how it was measured; the old one stays for the past."""
    points = ("--point", "1950=60 %", "--point", "1620=82 %", "--note", "oven samples: 'dry'")
    out = commands.good("probes", "calibrate", "maple-top", "moisture", "--from", "2026-03-02", *points)
    assert out.startswith("maple-top moisture: 2 points written")
    (probe,) = (one for one in Home(commands.home).load_lab().probes if one.id == "maple-top")
    older, newer = probe.channels[1].calibrations
    assert older.from_ms < newer.from_ms == 1_772_409_600_000
    assert newer.note == "oven samples: 'dry'"
    assert {(point.raw, point.value) for point in newer.points} == {(1950.0, 60.0), (1620.0, 82.0)}


def calibrate(*words: str, since: str = "2026-03-02") -> tuple[str, ...]:
    return ("probes", "calibrate", "maple-top", "moisture", "--from", since, *(f"--point={one}" for one in words))


DEGREES = ("--point=0=0 degC", "--point=25=25 degC")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (calibrate("1950=62 %", "1620=84 %", since="2026-01-01"), "a set with this 'from' stands before it"),
        (calibrate("1950=62 %", "1949=84 %"), "raw 1949 and 1950 are so close that noise alone tilts the line"),
        (calibrate("1950=84 %", "1620=62 %"), "runs the wrong way"),
        (calibrate("1950=62 %", "1620=84 %", since="2099-03-02"), "is the year right?"),
        (
            (*("probes", "calibrate", "maple-top", "temperature"), "--from=2026-03-02", *DEGREES),
            "raw 0 degF is -17.8 °C, far from 0.0 °C; the raw reading goes in the unit that the probe sends (degF)",
        ),
        (
            (*ASSIGN, "--channel", "m=bedding_moisture,unit=count,from=2099-01-01,point=1:80 %,point=9:2 %"),
            "is the year right?",
        ),
    ],
)  # fmt: skip
def test_a_calibration_that_is_hardly_meant_is_not_written(
    commands: Commands, arguments: tuple[str, ...], says: str
) -> None:
    """One line with the probe and what is doubtful; lab.yaml stays byte for byte."""
    lab = commands.home / "lab.yaml"
    before = lab.read_bytes()
    done = commands.run(*arguments)
    assert (done.code, done.out) == (1, "")
    assert says in done.err
    assert done.err.count("\n") == 1
    assert f"probes.{arguments[2]}.channels." in done.err
    assert lab.read_bytes() == before


def test_a_written_calibration_says_what_the_newest_reading_becomes(commands: Commands) -> None:
    """The raw reading, its value by the new points, and what it was by the old ones; or that there is none."""
    points = ("1950=60 %", "1620=82 %")
    _, told = commands.good(*calibrate(*points)).splitlines()
    assert (
        told
        == "maple-top moisture: no reading of it yet, so see with 'traywarden probes list' that its values are true"
    )
    lab = ByHand(commands.home)
    lab.say("worms/maple/top", '{"at":"2026-03-04T08:00:00Z","bed":{"temperature":70,"soil":1800}}')
    lab.commit()
    lab.close()
    _, told = commands.good(*calibrate("1950=58 %", "1620=80 %", since="2026-03-03")).splitlines()
    assert told == "maple-top moisture: 1800 -> 68.0 %, was 70.0 %"


def test_checkup_shows_the_line_of_a_doubtful_calibration(commands: Commands) -> None:
    """One that was written by hand: a note at its set, whatever the order of the sets in the file."""
    lab = commands.home / "lab.yaml"
    text = lab.read_text(encoding="utf-8")
    one = "- {from: 2026-01-01, points: [[1950, 62 %], [1620, 84 %]]}"
    later = one.replace("2026-01-01", "2099-01-01")
    lab.write_text(text.replace(f"          {one}", f"          {later}\n          {one}", 1), encoding="utf-8")
    found = [line for line in commands.run("checkup").out.splitlines() if "is the year right?" in line]
    number = lab.read_text(encoding="utf-8").splitlines().index(f"          {later}") + 1
    assert len(found) == 1
    assert f"lab.yaml:{number}:" in found[0]
    assert "calibration[0]: warning: holds from a day that is yet to come" in found[0]


def test_a_disk_with_no_room_leaves_the_old_lab_file(commands: Commands) -> None:
    """The new text is written beside it first: one line says that the file is unchanged, and it is."""
    lab = commands.home / "lab.yaml"
    before = lab.read_bytes()
    with no_file_beyond(100):
        line = commands.run(*ASSIGN, *TEMPERATURE).err
    assert "lab.yaml is unchanged" in line
    assert line.count("\n") == 1
    assert lab.read_bytes() == before
