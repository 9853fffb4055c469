"""The audit of the pinned packages: what is pinned here passes, and each thing it looks for is found."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"
HASH = "--hash=sha256:" + "a" * 64


def audit(*arguments: object) -> tuple[int, list[str]]:
    """Exit code and findings of deploy/audit.py."""
    done = subprocess.run(
        [sys.executable, DEPLOY / "audit.py", *map(str, arguments)], capture_output=True, text=True, check=False
    )
    return done.returncode, done.stdout.splitlines()


def requirements(folder: Path, text: str, name: str = "requirements.txt") -> Path:
    folder.joinpath(name).write_text(text, encoding="utf-8")
    return folder / name


def test_what_is_pinned_here_passes() -> None:
    """Every pin exact and hashed, the same in all files."""
    assert audit("pins", *sorted(DEPLOY.glob("requirements*.txt")), DEPLOY / "tools.txt") == (0, [])


@pytest.mark.parametrize(
    ("text", "finding"),
    [
        (f"one>=1 {HASH}\n", "one: not pinned to one version"),
        ("one==1\n", "one: no sha256"),
        (f"one==1 \\\n    {HASH[:-1]}\n", "one: no sha256"),
        ("one==1 --hash=md5:" + "a" * 64, "one: no sha256"),
        (f"One_x==1 {HASH}\none-x==1 {HASH}\n", "one-x: twice"),
        ("# nothing\n", "holds no pins"),
    ],
)
def test_a_pin_that_is_none_is_found(tmp_path: Path, text: str, finding: str) -> None:
    """Each slip is one line that names file and package."""
    code, lines = audit("pins", requirements(tmp_path, text))
    assert code == 1
    assert any(finding in line and line.startswith("requirements.txt") for line in lines)


def test_two_files_that_disagree_are_found(tmp_path: Path) -> None:
    """A lab must run with what the tests ran with."""
    first = requirements(tmp_path, f"one==1 {HASH}\n")
    second = requirements(tmp_path, f"one==2 {HASH}\n", "other.txt")
    assert audit("pins", first, second) == (1, ["other.txt: one: 2, but 1 in requirements.txt"])


def test_what_is_pinned_here_holds_all_that_it_needs() -> None:
    """Nothing is left to be found by whoever installs it."""
    assert audit("needs", *sorted(DEPLOY.glob("requirements*.txt"))) == (0, [])


@pytest.mark.parametrize(
    ("pinned", "finding"),
    [
        ("one==1", "one needs two, which is not pinned"),
        ("one==1 two==1 three==1 four==1 five==1", "one needs two>=2, and 1 is pinned"),
        ("one==1 two==2", "two needs Three, which is not pinned"),
        ("one==1 two==2 three==1", "three needs four, which is not pinned"),
        ("one==1 two==2 three==1 four==1", "four needs five, which is not pinned"),
        ("one==1 two==2 three==1 four==1 five==1", ""),
        (
            "one==1 two==2 three==1 four==1 five==1 six==1",
            "six: not in this environment, so what it needs is not known",
        ),
    ],
)
def test_a_lock_that_can_rot_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pinned: str, finding: str
) -> None:
    """One line for what is missing or too old, be it for an extra, a newer Python or another machine; not for what no
    machine of ours needs."""
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    package(tmp_path, "one", "Requires-Dist: two>=2\nRequires-Dist: seven; sys_platform == 'win32'")
    package(tmp_path, "two", "Requires-Dist: Three[more]\nRequires-Dist: eight; extra == 'other'", "2")
    package(tmp_path, "three", "Provides-Extra: more\nRequires-Dist: four; extra == 'more'")
    package(tmp_path, "four", "Requires-Dist: five; python_version >= '3.13' and platform_machine == 'aarch64'")
    package(tmp_path, "five", "")
    text = "".join(f"{pin} {HASH}\n" for pin in pinned.split())
    code, lines = audit("needs", requirements(tmp_path, text))
    assert (code, lines) == ((1, [f"requirements.txt: {finding}"]) if finding else (0, []))


def test_a_pin_for_some_machines_only_needs_nothing_elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pin with a marker counts where the marker holds."""
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    package(tmp_path, "one", "Requires-Dist: two; python_version >= '3.13'")
    package(tmp_path, "two", "")
    elsewhere = f"three==1 ; platform_machine == 'aarch64' and sys_platform == 'win32' {HASH}\n"
    assert audit("needs", requirements(tmp_path, elsewhere)) == (0, [])
    for marker, finding in (("<", "one needs two, which is not pinned"), (">", "")):
        text = f"one==1 {HASH}\ntwo==1 ; python_version {marker} '3.12' {HASH}\n"
        _code, lines = audit("needs", requirements(tmp_path, text))
        assert lines == ([f"requirements.txt: {finding}"] if finding else [])


def package(folder: Path, name: str, head: str, version: str = "1") -> None:
    """An installed package that says of itself what `head` does."""
    about = folder / f"{name}-{version}.dist-info"
    about.mkdir()
    about.joinpath("METADATA").write_text(
        f"Metadata-Version: 2.4\nName: {name}\nVersion: {version}\n{head}\n", encoding="utf-8"
    )


@pytest.mark.parametrize(
    ("head", "finding"),
    [
        ("License-Expression: MIT", ""),
        ("License-Expression: EPL-2.0 OR GPL-3.0-only", ""),
        ("License: a long text\nClassifier: License :: OSI Approved :: BSD License", ""),
        ("Classifier: License :: OSI Approved :: Mozilla Public License 2.0 (MPL 2.0)", ""),
        ("License-Expression: MIT AND GPL-3.0-only", "licence MIT AND GPL-3.0-only is not allowed here"),
        ("License-Expression: AGPL-3.0-or-later", "is not allowed here"),
        ("License: see the file", "names no licence that is known here (see the file)"),
        ("", "names no licence that is known here (none)"),
        ("License: MIT\nClassifier: Development Status :: 7 - Inactive", "its makers have given it up"),
    ],
)
def test_a_licence_is_judged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, head: str, finding: str) -> None:
    """By its expression, its old field or its classifiers; one that is not known or not allowed is a finding."""
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    package(tmp_path, "thing", head)
    code, lines = audit("licences", requirements(tmp_path, f"thing==1 {HASH}\n"))
    assert (code, len(lines)) == ((1, 1) if finding else (0, 0))
    assert finding in "".join(lines)


def test_what_is_not_installed_as_pinned_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another version, or none."""
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    package(tmp_path, "thing", "License: MIT")
    code, lines = audit("licences", requirements(tmp_path, f"thing==2 {HASH}\nno-such-thing==1 {HASH}\n"))
    assert code == 1
    assert lines == ["thing: 1 is installed, 2 is pinned", "no-such-thing: pinned, but not in this environment"]


def test_what_was_withdrawn_is_found(tmp_path: Path) -> None:
    """As pip's report says it."""
    about = {"name": "Thing", "version": "1", "classifier": ["Development Status :: 7 - Inactive"]}
    report = {"install": [{"is_yanked": True, "metadata": about}, {"is_yanked": False, "metadata": {"name": "good"}}]}
    tmp_path.joinpath("report.json").write_text(json.dumps(report), encoding="utf-8")
    assert audit("index", tmp_path / "report.json") == (
        1,
        ["thing: 1 was withdrawn from the index", "thing: its makers have given it up"],
    )


def test_a_known_hole_is_found_and_an_unknown_package_is_not_called_good(tmp_path: Path) -> None:
    """As pip-audit's report says it; what it skipped, it has not looked at."""
    report = tmp_path / "holes.json"
    holes = [{"id": "CVE-1", "fix_versions": ["2", "3"]}]
    for listed, expected in (
        ([{"name": "one", "version": "1", "vulns": []}], (0, [])),
        ([{"name": "one", "version": "1", "vulns": holes}], (1, ["one: 1 has CVE-1; mended in 2, 3"])),
        ([{"name": "one", "version": "1", "vulns": []}, {"name": "two", "skip_reason": "not found"}], (3, [])),
    ):
        report.write_text(json.dumps({"dependencies": listed, "fixes": []}), encoding="utf-8")
        assert audit("holes", report) == expected


def test_the_command_tells_good_from_not_checked(tmp_path: Path) -> None:
    """Offline it looks at pins and licences and says so; a part that cannot run is never called good."""
    done = run(PYTHON=sys.executable)
    assert [line.split(maxsplit=1)[0] for line in done.stdout.splitlines() if line[0] != " "] == [
        "pins",
        "needs",
        "licences",
    ]
    assert "pins         good" in done.stdout
    broken = tmp_path / "python"
    broken.write_text("#!/bin/sh\necho cannot >&2\nexit 7\n", encoding="utf-8")
    broken.chmod(0o755)
    done = run(PYTHON=str(broken))
    assert (done.returncode, done.stdout.count("NOT CHECKED: cannot")) == (3, 3)


def test_an_unknown_option_is_refused() -> None:
    """In one line."""
    done = run("--quick")
    assert (done.returncode, done.stderr) == (1, "deploy/audit.sh: '--quick' is not an option; only --offline is\n")


def run(option: str = "--offline", **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["bash", DEPLOY / "audit.sh", option],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=False,
    )
