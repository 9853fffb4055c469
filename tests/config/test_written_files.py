"""Files that people write: whatever stands in their place, the program neither waits for it nor reads it for ever."""

import ast
import os
import socket
import ssl
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import collector
from collector.config.calendars import SchoolCalendars
from collector.config.home import Home
from collector.config.settings import load_settings
from collector.config.written_files import bad_line, read_bytes, read_text, trusting
from collector.domain.problems import Refused, Wrong
from collector.pipeline.packs import recorded
from tests.services.certificates import Authority
from tests.worlds.home import make_home

Odd = Callable[[Path], None]


def _pipe(path: Path) -> None:
    os.mkfifo(path)


def _endless(path: Path) -> None:
    path.symlink_to("/dev/zero")


def _large(path: Path) -> None:
    """Sixteen gigabytes that take no room."""
    with path.open("wb") as file:
        file.truncate(16 << 30)


def _socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(os.path.relpath(path))  # such a path may be 107 bytes long


def _folder(path: Path) -> None:
    path.mkdir()


def _other_text(path: Path) -> None:
    path.write_bytes(b"a: 1\nb: \xfc\n")


ODD: dict[str, tuple[Odd, str]] = {
    "pipe": (_pipe, "a pipe and no ordinary file"),
    "endless": (_endless, "a device and no ordinary file"),
    "large": (_large, "arger than"),
    "socket": (_socket, "o such device or address"),
    "folder": (_folder, "s a directory"),
    "not UTF-8": (_other_text, "UTF-8"),
}
WRITTEN = ("lab.yaml", "rules/site.yaml", "calendar", "secret", "CA file", "packs")
"""Each kind of file that people write, read below by the code that reads it when the program runs."""


def _try(what: str, home: Path, put: Odd) -> str:
    """What is said of a home in which `put` stands in place of that file."""
    path = {
        "lab.yaml": home / "lab.yaml",
        "rules/site.yaml": home / "rules" / "site.yaml",
        "calendar": home / "days.ics",
        "secret": home / "secrets" / "TRAYWARDEN_MAIL__PASSWORD",
        "CA file": home / "ca.pem",
        "packs": home / "packs.jsonl",
    }[what]
    path.parent.mkdir(exist_ok=True)
    path.unlink(missing_ok=True)
    put(path)
    try:
        match what:
            case "lab.yaml":
                Home(home).load_lab()
            case "rules/site.yaml":
                Home(home).load_rule_set()
            case "calendar":
                SchoolCalendars(home, 1_772_438_400_000)("days.ics", "UTC")
            case "packs":
                with recorded(Home(home), Home(home).load_lab(), path):
                    pass
            case _:
                load_settings()
    except (Refused, Wrong, ValueError) as error:
        return str(error)
    return "nothing"


SAID_OTHERWISE = {
    ("CA file", "not UTF-8"): "no certificates in PEM form",
    ("packs", "not UTF-8"): "no message",
    ("packs", "large"): "longer than 4,000,000 bytes",  # read line by line, however long the file
}
CASES = [(what, odd) for what in WRITTEN for odd in ODD if (what, odd) != ("secret", "folder")]
"""Folders beside the secrets are none of ours."""


@pytest.mark.parametrize(("what", "odd"), CASES)
def test_what_is_no_file_to_read_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str, odd: str) -> None:
    """A pipe, a device, a file without end, a socket, a folder, another encoding, in place of each file that people
    write: one line that says so, at once."""
    monkeypatch.chdir(tmp_path)
    home = make_home(tmp_path / "home")
    monkeypatch.setenv("TRAYWARDEN_SECRETS_DIR", str(home / "secrets"))
    (home / "secrets").mkdir()
    if what == "CA file":
        monkeypatch.setenv("TRAYWARDEN_MQTT__CA_FILE", str(home / "ca.pem"))
    put, says = ODD[odd]
    said = _try(what, home, put)
    assert SAID_OTHERWISE.get((what, odd), says) in said
    assert len(said.splitlines()) == 1


@pytest.mark.parametrize("command", [("rules", "check"), ("status",), ("rules", "replay", "--rules", "trial")])
def test_no_command_waits_for_a_pipe(tmp_path: Path, command: tuple[str, ...]) -> None:
    """lab.yaml, a rule file and one of a folder to try are pipes nobody writes into: each command ends with exit 1."""
    home = make_home(tmp_path / "home")
    for path in (home / "rules" / "site.yaml", home / "lab.yaml", tmp_path / "trial" / "site.yaml"):
        path.parent.mkdir(exist_ok=True)
        path.unlink(missing_ok=True)
        os.mkfifo(path)
    words = [sys.executable, "-m", "collector.cli.main", *command, "--home", str(home)]
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    done = subprocess.run(words, cwd=tmp_path, env=env, capture_output=True, text=True, timeout=30, check=False)
    assert (done.returncode, "Traceback" in done.stderr) == (1, False)


def test_the_bound_is_exact_and_told(tmp_path: Path) -> None:
    """As many bytes as may be are read, one more is refused with the number; line ends are made one."""
    path = tmp_path / "lab.yaml"
    path.write_bytes(b"a\r\nb\rc\n")
    assert read_text(path, 7) == "a\nb\nc\n"
    with pytest.raises(OSError, match="larger than 6 bytes, the most that is read"):
        read_bytes(path, 6)
    path.write_bytes(b"a\n\xff")
    with pytest.raises(UnicodeDecodeError) as wrong:
        read_text(path)
    assert bad_line(wrong.value) == 2


def test_authorities_are_trusted_whatever_stands_around_them(tmp_path: Path) -> None:
    """A bundle with comments in any encoding; a file without a certificate trusts nobody, not everybody."""
    path = tmp_path / "ca.pem"
    whole = Authority(tmp_path / "authority").issue().ca_file.read_bytes()
    path.write_bytes("# Schülerlabor\n".encode("latin-1") + whole + whole)
    assert len(trusting(path).get_ca_certs()) == 1
    for empty in (b"", b"\n", b"-----BEGIN CERTIFICATE-----\n"):
        path.write_bytes(empty)
        with pytest.raises(ssl.SSLError):
            trusting(path)


OPENERS = {"read_text", "read_bytes", "open"}
ELSEWHERE = {
    "config/written_files.py": "the one reader",
    "cli/commands/export.py": "writes what is asked for",
    "cli/commands/probes.py": "writes lab.yaml anew",
}
"""Modules that may open files by their path in another way, and why; besides the store, whose files are its own."""


def _opened(path: Path) -> Iterator[str]:
    """Calls in a module that open a file by path and read, or might."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Call):
            continue
        called = node.func
        if isinstance(called, ast.Name) and called.id == "open":
            yield "open"
        elif isinstance(called, ast.Attribute) and called.attr in ("read_text", "read_bytes"):
            yield called.attr
        elif isinstance(called, ast.Attribute) and called.attr == "open" and _with_mode(node):
            yield "open"


def _with_mode(call: ast.Call) -> bool:
    """Opening something else (a journal, an alarm) takes no text first."""
    return bool(call.args) and isinstance(call.args[0], (ast.Constant, ast.IfExp))


@pytest.mark.slow
def test_no_other_module_reads_a_file_by_its_path() -> None:
    """What people write is read by one module, so that the next file has the same bounds."""
    root = Path(collector.__file__).parent
    found = {str(path.relative_to(root)) for path in root.rglob("*.py") if any(_opened(path))}
    assert {name for name in found if not name.startswith("store/")} <= ELSEWHERE.keys()
