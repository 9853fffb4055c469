"""The command line as a person meets it."""

import json
import os
import signal
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sim_sensors import cli, playing, recording, scenarios
from sim_sensors.playing import Play
from sim_sensors.run import run
from tests.services.free_port import free_port
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until


@pytest.fixture(autouse=True)
def no_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    """No setting of the machine the tests run on reaches them."""
    for name in list(os.environ):
        if name.startswith("SIM_SENSORS_"):
            monkeypatch.delenv(name)


def test_list_names_every_scenario(capsys: pytest.CaptureFixture[str]) -> None:
    """One line each with its length and title; the same as JSON."""
    assert cli.main(["list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == list(scenarios.names())
    assert cli.main(["list", "--json"]) == 0
    assert [s["name"] for s in json.loads(capsys.readouterr().out)] == list(scenarios.names())


@pytest.mark.parametrize("command", [[], ["run"], ["list"], ["lab"], ["plot"]])
def test_help_has_an_example(command: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """--help of the program and of each command ends well and shows an example."""
    with pytest.raises(SystemExit) as ended:
        cli.main([*command, "--help"])
    assert ended.value.code == 0
    assert "traywarden-sim " in capsys.readouterr().out.split("example")[1]


@pytest.mark.parametrize(
    ("given", "told"),
    [
        (["--pace", "0"], "'0' is not a pace"),
        (["--pace", "nan"], "'nan' is not a pace"),
        (["--pace", "fast"], "'fast' is not a pace"),
        (["--port", "70000"], "'70000' is not a port"),
        (["--duration", "2"], "'2' is not a duration"),
        (["--duration", "0h"], "'0h' is not a duration"),
        (["--start", "yesterday"], "'yesterday' is not a time"),
        (["--start", "2026-03-02T08:00"], "is not a time with its zone"),
        (["--seed", "x"], "invalid int value"),
    ],
)
def test_usage_slips_end_with_2(given: list[str], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What cannot be an argument is a usage error that says what would be right."""
    with pytest.raises(SystemExit) as ended:
        cli.main(["run", "quiet", *given])
    assert ended.value.code == 2
    assert told in capsys.readouterr().err


def test_unknown_scenario(capsys: pytest.CaptureFixture[str]) -> None:
    """A slip in the name is one line that offers the near one."""
    assert cli.main(["run", "schooldemo"]) == 1
    assert capsys.readouterr().err.startswith("no scenario 'schooldemo'; did you mean 'school-demo'?")


def test_bad_scenario_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each problem of a file is a line with file and line number; a missing file is one line."""
    file = tmp_path / "mine.yaml"
    file.write_text("titel: x\nroom: {day: 21}\n")
    assert cli.main(["run", str(file)]) == 1
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) >= 4
    assert all(line.startswith(f"{file}:") for line in lines)
    assert cli.main(["run", str(tmp_path / "none.yaml")]) == 1
    assert capsys.readouterr().err == f"{tmp_path / 'none.yaml'}: cannot be read: No such file or directory\n"


def test_truth_that_cannot_be_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A truth file in no folder is one line, before anything is published."""
    assert cli.main(["run", "quiet", "--truth", str(tmp_path / "no" / "truth.jsonl")]) == 1
    assert capsys.readouterr().err.endswith("truth.jsonl: cannot be written: No such file or directory\n")


@pytest.mark.parametrize("name", ["SIM_SENSORS_PORT", "SIM_SENSORS_CA_FILE"])
def test_settings_that_make_no_sense(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A setting of the environment that cannot be used is one line, not a traceback."""
    monkeypatch.setenv(name, "/nowhere")
    assert cli.main(["run", "quiet"]) == 1
    told = capsys.readouterr().err
    assert "/nowhere" in told
    assert told.count("\n") == 1


@pytest.mark.service
def test_run_publishes_and_writes_the_truth(
    mosquitto: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two lab hours in a moment: all confirmed, the truth file whole, and the handlers of signals as before."""
    monkeypatch.setenv("SIM_SENSORS_HOST", "127.0.0.1")
    monkeypatch.setenv("SIM_SENSORS_PORT", str(mosquitto.port))
    before, file = signal.getsignal(signal.SIGTERM), tmp_path / "truth.jsonl"
    given = ["run", "school-demo", "--pace", "100000", "--duration", "2h", "--start", "2026-03-02T08:00Z"]
    assert cli.main([*given, "--truth", str(file)]) == 0
    assert signal.getsignal(signal.SIGTERM) == before
    assert capsys.readouterr().err.splitlines()[-1].startswith("sent 890 packs, 890 confirmed")
    lines = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
    assert (lines[0]["kind"], lines[0]["scenario"], lines[0]["time"]) == (
        "run",
        "school-demo",
        "2026-03-02T08:00:00.000Z",
    )
    assert {line["kind"] for line in lines[1:]} == {"probe", "state", "fault", "harm", "care"}
    assert lines[-1]["time"] >= "2026-03-02T09:50"


@pytest.mark.service
def test_a_full_disk_is_one_line(mosquitto: Mosquitto, capsys: pytest.CaptureFixture[str]) -> None:
    """Where the truth no longer fits on the disk the run ends with 1 and says so."""
    given = ["--host", "127.0.0.1", "--port", str(mosquitto.port), "--pace", "100000", "--truth", "/dev/full"]
    assert cli.main(["run", "school-demo", "--duration", "5h", *given]) == 1
    assert capsys.readouterr().err.splitlines()[-1] == "/dev/full: cannot be written: No space left on device"


def test_progress_passes_every_pack_on(capsys: pytest.CaptureFixture[str]) -> None:
    """The bar grows to its end, and takes nothing from the run."""
    play = Play(scenarios.load("quiet"), 1, 1_772_438_400_000, 7_200_000)
    sent = list(run(play.scenario, play.seed, play.start_ms, play.duration_ms))
    assert list(playing.shown(sent, play)) == sent
    drawn = capsys.readouterr().err
    assert "[                         ]   0 %  2026-03-02T08:00Z" in drawn
    assert "[######################## ]  99 %  2026-03-02T09:58Z" in drawn


@pytest.mark.service
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_it_cleanly(mosquitto: Mosquitto, number: signal.Signals) -> None:
    """Ctrl-C and a polite kill end a run with exit code 0 and its last line."""
    command = [sys.executable, "-m", "sim_sensors.cli", "run", "quiet", "--port", str(mosquitto.port), "--host"]
    with subprocess.Popen(
        [*command, "127.0.0.1"], stderr=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2]
    ) as it:
        assert it.stderr is not None
        assert "stop with Ctrl-C" in it.stderr.readline()
        it.send_signal(number)
        rest = it.stderr.read()
        assert it.wait(20) == 0
    assert rest.splitlines()[-1].startswith("sent ")
    assert "Traceback" not in rest


def test_no_broker_is_one_line(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """With nobody at the port the run ends with 1 and names it."""
    monkeypatch.setattr("sim_sensors.publisher.Publisher.__init__.__kwdefaults__", _impatient())
    assert cli.main(["run", "quiet", "--host", "127.0.0.1", "--port", str(free_port())]) == 1
    assert capsys.readouterr().err.splitlines()[-1].startswith("no broker at 127.0.0.1:")


def _impatient() -> dict[str, object]:
    from sim_sensors.publisher import Publisher

    return {**(Publisher.__init__.__kwdefaults__ or {}), "connect_within_s": 0.1}


def test_a_fast_run_begins_in_the_past() -> None:
    """At pace 240 two hours take 30 s, so they begin two hours less 30 s ago; in real time they begin now."""
    now = datetime.now(UTC).timestamp() * 1000
    assert playing.begin_ms(7_200_000, 240) == pytest.approx(now - 7_170_000, abs=5_000)
    assert playing.begin_ms(7_200_000, 1) == pytest.approx(now, abs=5_000)


AT = ["--start", "2026-03-02T08:00Z", "--duration", "2h"]


@pytest.mark.slow
def test_a_recording_needs_no_broker(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--no-broker writes what would be published, the same bytes each time, with its truth beside it."""
    files = [tmp_path / f"{n}.jsonl" for n in range(4)]
    for packs, truth in (files[:2], files[2:]):
        assert cli.main(["run", "school-demo", *AT, "--no-broker", str(packs), "--truth", str(truth)]) == 0
        told = capsys.readouterr().err.splitlines()[-1]
    assert files[0].read_bytes() == files[2].read_bytes()
    assert files[1].read_bytes() == files[3].read_bytes()
    with files[0].open(encoding="utf-8") as lines:
        found = list(recording.packs(lines, "packs"))
    expected = run(scenarios.load("school-demo"), 1, 1_772_438_400_000, 7_200_000)
    assert [(p.t_ms, p.topic, p.payload) for p in found] == [(p.t_ms, p.topic, p.payload) for p in expected]
    assert told == f"{len(found)} packs written to {files[2]}"


def test_a_recording_ends_in_the_past(tmp_path: Path) -> None:
    """Without --start its last reading is taken about now, so that a collector finds nothing from the future."""
    file = tmp_path / "packs.jsonl"
    assert cli.main(["run", "quiet", "--duration", "30min", "--no-broker", str(file)]) == 0
    times = [json.loads(line)["time_ms"] for line in file.read_text(encoding="utf-8").splitlines()]
    now = datetime.now(UTC).timestamp() * 1000
    assert now - 1_860_000 < times[0] < times[-1] < now


def test_a_full_disk_under_a_recording(capsys: pytest.CaptureFixture[str]) -> None:
    """One line that names the file."""
    assert cli.main(["run", "school-demo", *AT, "--no-broker", "/dev/full"]) == 1
    assert capsys.readouterr().err == "/dev/full: cannot be written: No space left on device\n"


@pytest.mark.parametrize("option", [["--pace", "240"], ["--host", "a"], ["--port", "1"], ["--ca-file", "a"], ["--tls"]])
def test_a_recording_takes_no_broker(option: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Options that would do nothing are refused."""
    assert cli.main(["run", "quiet", "--no-broker", str(tmp_path / "a"), *option]) == 1
    assert capsys.readouterr().err.startswith("--no-broker takes neither a broker nor a pace")
    assert not (tmp_path / "a").exists()


def test_a_recording_that_is_stopped_has_whole_lines(tmp_path: Path) -> None:
    """A polite kill ends it with exit code 0; every line is one message."""
    file = tmp_path / "packs.jsonl"
    command = [sys.executable, "-m", "sim_sensors.cli", "run", "quiet", "--duration", "700d", "--no-broker", str(file)]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2]) as it:
        wait_until(lambda: file.exists() and file.stat().st_size > 100_000, "some lines")
        it.send_signal(signal.SIGTERM)
        assert it.stderr is not None
        rest = it.stderr.read()
        assert it.wait(20) == 0
    count = len([json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()])
    assert rest == f"{count} packs written to {file}\n"


def test_lab_is_printed_or_written_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """To the terminal, or to a file that is not there yet; one that is there is left as it is."""
    assert cli.main(["lab", "school-demo"]) == 0
    text = capsys.readouterr().out
    file = tmp_path / "lab.yaml"
    assert cli.main(["lab", "school-demo", "--out", str(file)]) == 0
    assert file.read_text(encoding="utf-8") == text == scenarios.lab_text("school-demo")
    file.write_text("mine\n", encoding="utf-8")
    assert cli.main(["lab", "school-demo", "--out", str(file)]) == 0
    assert file.read_text(encoding="utf-8") == "mine\n"
    assert capsys.readouterr().err == f"{file}: is there already; left as it is\n"
    assert cli.main(["lab", "school-demo", "--out", str(tmp_path / "no" / "lab.yaml")]) == 1
    assert capsys.readouterr().err.endswith("lab.yaml: cannot be written: No such file or directory\n")


@pytest.mark.slow
def test_plot_of_a_scenario_and_of_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The picture of a scenario is that of its truth file and its recording."""
    one, other, packs, truth = (tmp_path / name for name in ("a.svg", "b.svg", "packs.jsonl", "truth.jsonl"))
    assert cli.main(["plot", "school-demo", *AT, "--out", str(one)]) == 0
    assert cli.main(["run", "school-demo", *AT, "--no-broker", str(packs), "--truth", str(truth)]) == 0
    assert cli.main(["plot", str(packs), str(truth), "--out", str(other)]) == 0
    assert one.read_bytes() == other.read_bytes()
    capsys.readouterr()
    assert cli.main(["plot", str(packs), "--out", str(other)]) == 1
    assert capsys.readouterr().err.startswith("one truth file is needed, 0 given")
    assert cli.main(["plot", "school-demo", *AT, "--place", "birch", "--out", str(one)]) == 1
    assert capsys.readouterr().err.startswith("no place 'birch' in it; there are: juniper/top")


def test_a_picture_that_cannot_be_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One line that names the file; --start now is a time too."""
    file = tmp_path / "no" / "a.svg"
    assert cli.main(["plot", "quiet", "--duration", "10min", "--start", "now", "--out", str(file)]) == 1
    assert capsys.readouterr().err == f"{file}: No such file or directory\n"
