"""`probes move` and `probes remove`: what changes in lab.yaml, and what is said about the rest."""

from pathlib import Path

import pytest

from collector.config.home import Home
from tests.cli.command_line import Commands, stock


@pytest.fixture
def commands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Commands:
    stock(tmp_path / "home")
    return Commands(tmp_path / "home", capsys)


def test_a_probe_is_moved_and_renamed(commands: Commands) -> None:
    """In one step; the file differs by these two words, and what was measured is told to stay."""
    lab = commands.home / "lab.yaml"
    before = lab.read_text(encoding="utf-8")
    told = commands.good("probes", "move", "juniper-middle", "--at", "maple/middle", "--name", "maple-middle")
    assert told.splitlines() == [
        "probe 'juniper-middle' is at maple/middle and is called 'maple-middle' from now on; a running collector takes"
        " it up within a few seconds",
        "what it measured so far is kept under its old name and place",
        "an account that the broker has for it stays 'juniper-middle' and goes on working. To rename that too:",
        "  sudo deploy/add-probe.sh maple-middle       and put what it prints into the probe",
        "  sudo deploy/remove-probe.sh juniper-middle    once readings come again",
    ]
    after = lab.read_text(encoding="utf-8")
    assert (
        after.replace("maple-middle:", "juniper-middle:").replace("place: maple/middle", "place: juniper/middle")
        == before
    )
    assert after != before
    assert commands.good("probes", "move", "maple-middle", "--name", "mm").startswith(
        "probe 'maple-middle' is called 'mm'"
    )
    told = commands.good("probes", "move", "mm", "--at", "juniper/middle")
    assert told.startswith("probe 'mm' is at juniper/middle from")
    assert "account" not in told


def test_a_probe_is_taken_out(commands: Commands) -> None:
    """The others stay, and its readings too: the journal still has them."""
    with_it = {one.id for one in Home(commands.home).load_lab().probes}
    told = commands.good("probes", "remove", "juniper-top")
    assert "its readings are kept" in told
    assert "sudo deploy/remove-probe.sh juniper-top\n" in told
    assert {one.id for one in Home(commands.home).load_lab().probes} == with_it - {"juniper-top"}
    assert "juniper-top" in commands.good("export", "--format", "csv")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("move", "maple-top"), "say where it is now with --at PLACE, what it is called with --name NEW, or both"),
        (("move", "maple-topp", "--at", "room"), "did you mean 'maple-top'?"),
        (("move", "maple-top", "--at", "maple/tp"), "did you mean 'maple/top'?"),
        (("move", "maple-top", "--at", "room"), "bedding_temperature is not measured in a room"),
        (("move", "maple-top", "--name", "juniper-top"), "'juniper-top' is there already"),
        (("move", "maple-top", "--at", "maple/middle", "--name", "X y"), "X y"),
        (("remove", "maple-topp"), "did you mean 'maple-top'?"),
    ],
)
def test_a_probe_that_cannot_be_moved_stays(commands: Commands, arguments: tuple[str, ...], says: str) -> None:
    """It is said why, and lab.yaml stays byte for byte, also where half of what was asked could be done."""
    lab = commands.home / "lab.yaml"
    before = lab.read_bytes()
    done = commands.run("probes", *arguments)
    assert (done.code, done.out) == (1, "")
    assert says in done.err
    assert "Traceback" not in done.err
    assert lab.read_bytes() == before
