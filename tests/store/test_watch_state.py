"""The sign of life: a small file of fixed size that works on a full disk."""

import resource
from pathlib import Path

import pytest

from collector.store.watch_state import WatchState, read_state, write_state
from tests.store.disks import no_file_beyond, read_only

STATE = WatchState(1_772_438_400_000, "up", 12, "the disk is full")


def test_what_was_written_is_read(tmp_path: Path) -> None:
    """All fields, words of any script included."""
    path = tmp_path / "watch"
    for state in (STATE, WatchState(0, "no such host 'bröker' 🪱", 0, ""), WatchState(-1, "stopped", 0)):
        write_state(path, state)
        assert read_state(path) == state
        assert path.stat().st_size == 4096


def test_a_shorter_state_leaves_nothing_of_a_longer_one(tmp_path: Path) -> None:
    """The file is rewritten whole."""
    path = tmp_path / "watch"
    write_state(path, WatchState(1, "x" * 200, 10**9, "y" * 200))
    write_state(path, STATE)
    assert read_state(path) == STATE


def test_a_long_text_is_cut_and_still_reads(tmp_path: Path) -> None:
    """Even 200 characters of the longest kind fit the file."""
    path = tmp_path / "watch"
    write_state(path, WatchState(1, "🪱" * 5_000, 2, "\x00" * 5_000))
    found = read_state(path)
    assert found is not None
    assert found.link.startswith("🪱🪱")
    assert found.backlog == 2


def test_on_a_full_disk_the_file_that_is_there_is_rewritten(tmp_path: Path) -> None:
    """No file can grow: the state is written all the same, since its page exists."""
    path = tmp_path / "watch"
    write_state(path, WatchState(1, "up", 0))
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
