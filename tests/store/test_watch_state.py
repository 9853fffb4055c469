"""The sign of life: a small file of fixed size that works on a full disk."""

import json
import resource
from pathlib import Path

import pytest

from collector.store.watch_state import (
    STALE_MS,
    CollectorState,
    SignalTally,
    WatchState,
    collector_state,
    read_state,
    write_state,
)
from tests.store.disks import no_file_beyond, read_only

STATE = WatchState(
    alive_ms=1_772_438_400_000,
    backlog=12,
    stalled="the disk is full",
    heartbeat=(SignalTally(by="url", last_ms=None, failures=2, error="no answer"),),
)


def test_what_was_written_is_read(tmp_path: Path) -> None:
    """All fields, words of any script included."""
    path = tmp_path / "watch"
    for state in (
        STATE,
        WatchState(alive_ms=0, link_trouble="no such host 'bröker' 🪱"),
        WatchState(alive_ms=-1, stopped=True),
    ):
        write_state(path, state)
        assert read_state(path) == state
        assert path.stat().st_size == 4096


def test_a_shorter_state_leaves_nothing_of_a_longer_one(tmp_path: Path) -> None:
    """The file is rewritten whole."""
    path = tmp_path / "watch"
    write_state(path, WatchState(alive_ms=1, link_trouble="x" * 200, backlog=10**9, stalled="y" * 200))
    write_state(path, STATE)
    assert read_state(path) == STATE


def test_a_long_text_is_cut_and_still_reads(tmp_path: Path) -> None:
    """Even 200 characters of the longest kind fit the file."""
    path = tmp_path / "watch"
    write_state(path, WatchState(alive_ms=1, link_trouble="🪱" * 5_000, backlog=2, stalled="\x00" * 5_000))
    found = read_state(path)
    assert found is not None
    assert found.link_trouble.startswith("🪱🪱")
    assert found.backlog == 2


def test_on_a_full_disk_the_file_that_is_there_is_rewritten(tmp_path: Path) -> None:
    """No file can grow: the state is written all the same, since its page exists."""
    path = tmp_path / "watch"
    write_state(path, WatchState(alive_ms=1))
    with no_file_beyond(4_096):
        write_state(path, STATE)
    assert read_state(path) == STATE


def test_a_state_that_cannot_be_written_is_no_reason_to_stop(tmp_path: Path) -> None:
    """No room for a new one, a folder in its place, a disk that cannot be written: nothing is raised."""
    path = tmp_path / "home" / "watch"
    path.parent.mkdir()
    with no_file_beyond(0):
        write_state(path, STATE)
    assert read_state(path) is None
    path.unlink()
    with read_only(path.parent):
        write_state(path, STATE)
    write_state(path / "deeper", STATE)
    write_state(tmp_path, STATE)
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] != 0


@pytest.mark.parametrize(
    "data", [b"", b"\xff", b"{", b"[]", b"3", b'{"alive_ms":1}', b'{"alive_ms":1,"link":"up","backlog":0,"more":1}']
)
def test_anything_else_in_the_file_is_no_state(tmp_path: Path, data: bytes) -> None:
    """Cut off, of another version, of another program: as if it were not there."""
    (tmp_path / "watch").write_bytes(data)
    assert read_state(tmp_path / "watch") is None


def test_where_it_never_ran_there_is_none(tmp_path: Path) -> None:
    """No file, no folder."""
    assert read_state(tmp_path / "watch") is None
    assert read_state(tmp_path / "gone" / "watch") is None


def test_the_file_says_how_the_link_is_in_one_word_or_sentence(tmp_path: Path) -> None:
    """'up', 'stopped', or why the link is down: what programs of before wrote is read, and they read ours."""
    path = tmp_path / "watch"
    for link, state in (
        ("up", WatchState(alive_ms=1)),
        ("stopped", WatchState(alive_ms=1, stopped=True)),
        ("no answer", WatchState(alive_ms=1, link_trouble="no answer")),
    ):
        path.write_text(json.dumps({"alive_ms": 1, "link": link, "backlog": 0, "stalled": "", "heartbeat": []}))
        assert read_state(path) == state
        write_state(path, state)
        assert json.loads(path.read_text())["link"] == link


@pytest.mark.parametrize(
    ("found", "state", "runs"),
    [
        (None, CollectorState.NEVER_RAN, False),
        (WatchState(alive_ms=0, stopped=True, stalled="full"), CollectorState.STOPPED, False),
        (WatchState(alive_ms=-1, stalled="full"), CollectorState.SILENT, False),
        (WatchState(alive_ms=0, stalled="full", link_trouble="no"), CollectorState.STALLED, True),
        (WatchState(alive_ms=0, link_trouble="no"), CollectorState.WITHOUT_BROKER, True),
        (WatchState(alive_ms=0), CollectorState.RUNNING, True),
    ],
)
def test_whether_the_collector_runs_is_decided_by_its_last_sign(
    found: WatchState | None, state: CollectorState, runs: bool
) -> None:
    """A planned stop is known at once, any other end by its silence; a journal or a broker out of reach is no end."""
    assert collector_state(found, STALE_MS) is state
    assert state.runs is runs
