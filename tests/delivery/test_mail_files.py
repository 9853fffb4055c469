"""Mail as files: whole or not at all, under a name that never leads out of the folder."""

import resource
import signal
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import SMTP
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.delivery.mail_files import FileCarrier, file_name
from collector.delivery.port import PermanentFailure, TemporaryFailure
from tests.delivery.conftest import MakeSender
from tests.delivery.outboxes import FilledOutbox
from tests.letters.examples import Letter

LAB = "Quillbrook School"
SENDER = "traywarden@quillbrook.example"


def test_each_message_becomes_a_file_that_mail_programs_open(
    tmp_path: Path, outbox: FilledOutbox, make_sender: MakeSender
) -> None:
    """Sorted by time, one message each, in a folder that is made if need be."""
    folder = tmp_path / "home" / "outbox"
    outbox.put(Letter(channel="file"))
    make_sender(outbox, {"file": FileCarrier(folder, SENDER, LAB)}).deliver_due()
    (path,) = folder.iterdir()
    assert path.name == "20250303T162000Z-bedding-hot-3-1741017000000-raised-0123456789abcdef.eml"
    message = message_from_bytes(path.read_bytes(), policy=SMTP.clone(raise_on_defect=True), _class=EmailMessage)
    assert message["Subject"] == Letter().subject
    assert message.get_content().replace("\r\n", "\n") == Letter().body
    assert outbox.standing(Letter().key).state == "sent"


def test_nothing_shows_before_it_is_marked(tmp_path: Path) -> None:
    """The file appears under its name only after the mark, in one step; nothing else is left behind."""
    seen: list[list[str]] = []

    def look() -> None:
        seen.append([path.name for path in tmp_path.iterdir() if path.suffix == ".eml"])

    FileCarrier(tmp_path, SENDER, LAB).deliver(Letter(), look)
    assert seen == [[]]
    assert [path.name for path in tmp_path.iterdir()] == [file_name(Letter())]


def test_a_mark_that_fails_leaves_nothing(tmp_path: Path) -> None:
    """What `before_data` raises comes through, and the half-written file is gone."""

    def full() -> None:
        raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space left"):
        FileCarrier(tmp_path, SENDER, LAB).deliver(Letter(), full)
    assert list(tmp_path.iterdir()) == []


def test_written_again_is_the_same_file(tmp_path: Path) -> None:
    """The same message twice is one file with the same bytes."""
    channel = FileCarrier(tmp_path, SENDER, LAB)
    channel.deliver(Letter(), lambda: None)
    (path,) = tmp_path.iterdir()
    before = path.read_bytes()
    channel.deliver(Letter(attempts=1), lambda: None)
    assert [found.read_bytes() for found in tmp_path.iterdir()] == [before]


def test_a_folder_that_cannot_be_written_waits(tmp_path: Path) -> None:
    """A file where the folder should be: temporary, with the folder and the system's words."""
    (tmp_path / "outbox").write_text("in the way")
    with pytest.raises(TemporaryFailure, match=r"outbox: cannot write a message there: file exists"):
        FileCarrier(tmp_path / "outbox", SENDER, LAB).deliver(Letter(), lambda: None)


def test_a_name_that_is_taken_by_a_folder_waits(tmp_path: Path) -> None:
    """The last step can fail too; it is temporary and leaves no half file."""
    (tmp_path / file_name(Letter())).mkdir()
    with pytest.raises(TemporaryFailure, match="cannot write a message there: is a directory"):
        FileCarrier(tmp_path, SENDER, LAB).deliver(Letter(), lambda: None)
    assert [path.name for path in tmp_path.iterdir()] == [file_name(Letter())]


def test_a_full_disk_waits_and_leaves_nothing(tmp_path: Path) -> None:
    """Past the size a file may have (as on a full disk) the write fails: temporary, and no part of it stays."""
    kept = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (64, kept[1]))
        with pytest.raises(TemporaryFailure, match="cannot write a message there: file too large"):
            FileCarrier(tmp_path, SENDER, LAB).deliver(Letter(), lambda: None)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, kept)
        signal.signal(signal.SIGXFSZ, before)
    assert list(tmp_path.iterdir()) == []


def test_a_bad_recipient_fails_as_it_does_by_mail(tmp_path: Path) -> None:
    """Files hold what mail would have: the same address is refused the same way."""
    with pytest.raises(PermanentFailure, match="is no email address"):
        FileCarrier(tmp_path, SENDER, LAB).deliver(Letter(recipient="teacher"), lambda: None)


@given(st.text(max_size=400))
def test_no_key_leads_out_of_the_folder(key: str) -> None:
    """Whatever a rule is called, the name is one plain file name that every file system takes."""
    name = file_name(Letter(key=key))
    assert Path(name).name == name
    assert name.isascii()
    assert len(name) <= 255
    assert not name.startswith(".")
    assert name.endswith(".eml")
