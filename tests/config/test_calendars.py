"""The calendars a lab names: which files they are, what is refused, and a collector that takes up a changed one."""

import os
import subprocess
import sys
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from collector.config.calendars import SchoolCalendars, calendar_stamp
from collector.config.changed_files import WatchedFiles
from collector.config.home import Home
from collector.config.log import UNHEARD
from collector.domain.problems import Refused
from tests.cli.command_line import stock
from tests.config.test_icalendar_days import calendar, event
from tests.services.log_lines import log_to
from tests.worlds.home import LAB

NOW = round(datetime(2026, 11, 25, 12, tzinfo=UTC).timestamp() * 1000)
WINTER = calendar(event("DTSTART;VALUE=DATE:20261221", "DTEND;VALUE=DATE:20270104"))
THANKS = calendar(event("DTSTART;VALUE=DATE:20261126"))


def test_a_file_is_read_from_the_home_folder(tmp_path: Path) -> None:
    """Its days, and for checkup in how many spans they lie; a byte order mark before it is none of the text."""
    (tmp_path / "terms.ics").write_text("\ufeff" + WINTER, encoding="utf-8")
    calendars = SchoolCalendars(tmp_path, NOW)
    assert calendars("terms.ics", "UTC") == ((date(2026, 12, 21), date(2027, 1, 3)),)
    assert calendars.read == {"terms.ics": 1}
    assert calendars.today == date(2026, 11, 25)


def test_of_a_folder_every_calendar_is_read_in_order(tmp_path: Path) -> None:
    """What has another name, and what an editor leaves beside them, is not; no calendar at all is no day off."""
    folder = tmp_path / "calendars"
    folder.mkdir()
    calendars = SchoolCalendars(tmp_path, NOW)
    assert calendars("calendars/", "UTC") == ()
    for name, text in (("b.ics", WINTER), ("a.ics", THANKS), (".c.ics", "broken"), ("d.ics~", "broken")):
        (folder / name).write_text(text, encoding="utf-8")
    assert calendars("calendars/", "UTC") == (
        (date(2026, 11, 26), date(2026, 11, 26)),
        (date(2026, 12, 21), date(2027, 1, 3)),
    )
    assert list(calendars.read) == ["calendars/a.ics", "calendars/b.ics"]


def test_repeats_are_followed_from_last_year_to_the_year_after_next(tmp_path: Path) -> None:
    """400 days back and 800 ahead, both made whole years: a reading in May gives what one in November gave."""
    yearly = calendar(event("DTSTART;VALUE=DATE:20000501", "RRULE:FREQ=YEARLY"))
    (tmp_path / "may.ics").write_text(yearly, encoding="utf-8")
    assert [first.year for first, _ in SchoolCalendars(tmp_path, NOW)("may.ics", "UTC")] == [
        2025,
        2026,
        2027,
        2028,
        2029,
    ]


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("gone.ics", None, "gone.ics: cannot be read: No such file or directory"),
        ("gone/", None, "gone/: cannot be read: No such file or directory"),
        ("x" * 260 + ".ics", None, "cannot be read: File name too long"),
        ("x" * 260 + "/", None, "cannot be read: File name too long"),
        ("a.ics", b"", "a.ics: is no calendar; one begins with BEGIN:VCALENDAR"),
        ("a.ics", b"BEGIN:VCALENDAR\n\xff\n", "a.ics: line 2: is not UTF-8 text"),
        ("a.ics", b"x" * 5_000_001, "a.ics: is larger than 5 MB; export the days off alone"),
        ("c/", b"BEGIN:VCALENDAR\nBEGIN:VEVENT\n", "c/a.ics: line 2: BEGIN:VEVENT has no END; the file may be cut off"),
    ],
)
def test_a_calendar_that_cannot_be_read_is_one_line(
    tmp_path: Path, name: str, content: bytes | None, said: str
) -> None:
    """The file, also of a folder, and what is wrong with it."""
    if content is not None:
        path = tmp_path / (f"{name}a.ics" if name.endswith("/") else name)
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(content)
    with pytest.raises(ValueError, match=r".") as refused:
        SchoolCalendars(tmp_path, NOW)(name, "UTC")
    assert str(refused.value).endswith(said)


def test_a_folder_of_that_name_is_no_calendar(tmp_path: Path) -> None:
    """The slash at the end tells a folder; its stamp is known all the same."""
    (tmp_path / "a.ics").mkdir()
    with pytest.raises(ValueError, match=r"a\.ics: cannot be read: Is a directory"):
        SchoolCalendars(tmp_path, NOW)("a.ics", "UTC")


def test_the_stamp_is_another_whenever_a_file_is_another(tmp_path: Path) -> None:
    """Written anew, added to a folder, gone, put back."""
    (tmp_path / "c").mkdir()
    seen = [calendar_stamp(tmp_path, ("a.ics", "c/", "none/"))]
    for path, text in (("a.ics", "one"), ("c/b.ics", "two"), ("a.ics", "three"), ("c/c.ics", "")):
        (tmp_path / path).write_text(text, encoding="utf-8")
        seen.append(calendar_stamp(tmp_path, ("a.ics", "c/", "none/")))
    (tmp_path / "c/b.ics").unlink()
    seen.append(calendar_stamp(tmp_path, ("a.ics", "c/", "none/")))
    assert len(set(map(repr, seen))) == len(seen)
    assert seen[-1] == calendar_stamp(tmp_path, ("a.ics", "c/", "none/"))


def test_calendar_code_is_loaded_only_where_a_calendar_is_named(tmp_path: Path) -> None:
    """A lab without one does not pay for it in memory, all year."""
    says = "import sys\nfrom pathlib import Path\nfrom collector.config.home import Home\n"
    for folder, named in (("none", "2026-11-26"), ("one", "a.ics")):
        stock(tmp_path / folder)
        home = Home(tmp_path / folder)
        name_calendar(home, named)
        says += (
            f"Home(Path({str(home.path)!r})).load_lab()\nprint('icalendar' in sys.modules, 'dateutil' in sys.modules)\n"
        )
    (tmp_path / "one" / "a.ics").write_text(WINTER, encoding="utf-8")
    found = subprocess.run([sys.executable, "-c", says], capture_output=True, text=True, check=True, timeout=60)
    assert found.stdout == "False False\nTrue True\n"


# In a home folder ---------------------------------------------------------------------------------------------------


def name_calendar(home: Home, name: str) -> None:
    text = LAB.replace("units: metric}", f"units: metric, holidays: [{name}]}}")
    home.lab_file.write_text(text, encoding="utf-8")


def days_off(files: WatchedFiles) -> list[date]:
    """The first day of each span."""
    return [first for first, _ in files.lab.school_days.closed]


@pytest.fixture
def home(tmp_path: Path) -> Home:
    stock(tmp_path / "home")
    home = Home(tmp_path / "home")
    (home.path / "a.ics").write_text(WINTER, encoding="utf-8")
    name_calendar(home, "a.ics")
    return home


def test_the_days_of_a_calendar_are_those_of_the_lab(home: Home) -> None:
    """As if they stood in lab.yaml, and nobody is called early on them."""
    lab = home.load_lab()
    assert lab.school_days.closed == ((date(2026, 12, 21), date(2027, 1, 3)),)
    assert lab.telling.waking.school_days == lab.school_days


def test_at_a_start_a_broken_calendar_is_refused(home: Home) -> None:
    """With the line of lab.yaml that names it, and its own."""
    (home.path / "a.ics").write_text(WINTER[: WINTER.index("END:")], encoding="utf-8")
    with pytest.raises(Refused) as refused:
        WatchedFiles(home, UNHEARD)
    assert [str(problem) for problem in refused.value.problems] == [
        "lab.yaml:1:83 lab.holidays[0]: a.ics: line 4: BEGIN:VEVENT has no END; the file may be cut off"
    ]


def test_a_changed_calendar_is_taken_up(home: Home) -> None:
    """Once it stands still, as lab.yaml is; one in a folder too, and one that lab.yaml names only now."""
    log: list[str] = []
    files = WatchedFiles(home, log_to(log))
    (home.path / "a.ics").write_text(THANKS, encoding="utf-8")
    files.look()
    assert days_off(files) == [date(2026, 12, 21)]
    files.look()
    assert days_off(files) == [date(2026, 11, 26)]
    (home.path / "c").mkdir()
    name_calendar(home, "c/")
    for _ in range(2):
        files.look()
    assert days_off(files) == []
    (home.path / "c" / "b.ics").write_text(WINTER, encoding="utf-8")
    for _ in range(2):
        files.look()
    assert days_off(files) == [date(2026, 12, 21)]
    assert log == []


def test_a_calendar_that_breaks_changes_nothing(home: Home) -> None:
    """Told once, and the days before stay in force; mended, it is taken up."""
    log: list[str] = []
    files = WatchedFiles(home, log_to(log))
    lab = files.lab
    (home.path / "a.ics").write_text("<html>", encoding="utf-8")
    for _ in range(4):
        files.look()
    assert files.lab is lab
    assert [line.rpartition("a.ics: ")[2] for line in log] == [
        "is no calendar; one begins with BEGIN:VCALENDAR",
        "lab.yaml: as before, until that is put right",
    ]
    (home.path / "a.ics").write_text(THANKS, encoding="utf-8")
    for _ in range(2):
        files.look()
    assert days_off(files) == [date(2026, 11, 26)]


def test_a_lab_file_that_is_no_text_names_no_calendar(home: Home) -> None:
    """It is told as it is, and the lab stays."""
    log: list[str] = []
    files = WatchedFiles(home, log_to(log))
    home.lab_file.write_bytes(b"\xff")
    os.utime(home.path / "a.ics", ns=(0, 0))
    for _ in range(3):
        files.look()
    assert [line.partition(": ")[2] for line in log] == [
        "lab.yaml:1:1 is not UTF-8 text; save it as UTF-8",
        "as before, until that is put right",
    ]
