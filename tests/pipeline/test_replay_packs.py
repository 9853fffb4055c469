"""`rules replay --packs`: what the simulator recorded, judged by the rules of a lab, without broker or waiting."""

import base64
import json
from pathlib import Path

import pytest

from collector.cli.main import main
from sim_sensors import lab_file, recording, scenarios
from sim_sensors.run import run
from sim_sensors.varying import varied

START_MS = 1_772_412_000_000
HOUR_MS = 3_600_000


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The home of the lab of the demo's story, and the recording of its first four hours."""
    folder = tmp_path_factory.mktemp("story")
    scenario = varied(scenarios.load("school-demo"), 1)
    (folder / "home").mkdir()
    (folder / "home" / "lab.yaml").write_text(lab_file.text(scenario, START_MS), encoding="utf-8")
    packs = run(scenario, 1, START_MS, 4 * HOUR_MS)
    lines = [recording.line(pack) + "\n" for pack in packs]
    (folder / "packs.jsonl").write_text("".join(lines), encoding="utf-8")
    return folder / "home", folder / "packs.jsonl"


def replayed(home: Path, file: Path, *more: str) -> int:
    return main(["rules", "replay", "--home", str(home), "--packs", str(file), *more])


@pytest.mark.slow
def test_a_recording_is_judged_like_what_is_stored(
    story: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """The dry tray and the heating one are told of at their times, and the lab's own journal is not touched."""
    assert replayed(*story, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    told = {(one["name"], one["at"]) for one in found}
    assert {("bedding-dry", "juniper/top"), ("bedding-hot", "maple/middle")} <= told
    assert not (story[0] / "traywarden.db").exists()


def test_other_rules_are_held_against_it(
    story: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without its rule the dry tray's alarm disappears."""
    (tmp_path / "site.yaml").write_text("alarms: {bedding-dry: {enabled: no}}", encoding="utf-8")
    assert replayed(*story, "--rules", str(tmp_path)) == 0
    assert "bedding-dry" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", "no messages in it"),
        ('{"time_ms": 1, "topic": "a"}', ":1: no message ('payload' is missing)"),
        ('{"time_ms": "soon", "topic": "a", "payload": ""}', ":1: no message (Expected `int`"),
        ("no json", ":1: no message ("),
        (
            '{"time_ms": 1000000000000000000000, "topic": "a", "payload": "1"}',
            ":1: no message (Expected `int` <= 25340",
        ),
        ('{"time_ms": -1, "topic": "a", "payload": "1"}', ":1: no message (Expected `int` >= 0"),
        ('{"time_ms": 1, "topic": "a", "payload_base64": "!"}', ":1: no message ("),
        ('{"time_ms": 1772412000000, "topic": "elsewhere", "payload": "1"}', "no readings for this lab"),
    ],
)
def test_what_is_no_recording_is_one_line(
    story: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, line: str
) -> None:
    """File, line and what would be right."""
    file = tmp_path / "packs.jsonl"
    file.write_text(text, encoding="utf-8")
    assert replayed(story[0], file) == 1
    said = capsys.readouterr().err
    assert line in said
    assert said.count("\n") == 1
    assert str(file) in said


def test_a_file_that_is_not_there(story: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    """One line that names it."""
    assert replayed(story[0], Path("nowhere.jsonl")) == 1
    assert capsys.readouterr().err == "--packs nowhere.jsonl: no such file or directory\n"


def test_bytes_that_are_no_text_are_read_too(
    story: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A payload in base64 is the same message."""
    lines = []
    for line in story[1].read_text(encoding="utf-8").splitlines()[:400]:
        said = json.loads(line)
        if "payload" in said:
            said["payload_base64"] = base64.b64encode(said.pop("payload").encode()).decode()
        lines.append(json.dumps(said) + "\n\n")
    (tmp_path / "packs.jsonl").write_text("".join(lines), encoding="utf-8")
    assert replayed(story[0], tmp_path / "packs.jsonl") == 0
    assert " readings, " in capsys.readouterr().out
