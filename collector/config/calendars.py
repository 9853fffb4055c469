"""The calendars that lab.yaml names: iCalendar files, or folders of them, in the home folder.

    SchoolCalendars(home, now_ms)(name, zone)   -> the days they cover, for `collector.config.lab_file.read_lab`
    calendar_stamp(home, names)                 -> another value whenever one of the files is another

Repeats are followed from the first day of the year of 400 days ago to the last one of the year in 800 days: far enough
back for what is replayed and ahead for every break people plan, and the same all year.
"""

import errno
import os
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.config.icalendar_days import days_of
from collector.config.written_files import bad_line, read_bytes
from collector.domain.schooldays import Span, joined

_BACK, _AHEAD = timedelta(days=400), timedelta(days=800)
_MOST_BYTES = 5_000_000


class SchoolCalendars:
    """Reads what a lab file names, and keeps count for `checkup`."""

    def __init__(self, home: Path, now_ms: int) -> None:
        self._home = home
        self.today = datetime.fromtimestamp(now_ms / 1000, UTC).date()
        self._window = date((self.today - _BACK).year, 1, 1), date((self.today + _AHEAD).year, 12, 31)
        self.read: dict[str, int] = {}
        """Files read so far, by their names in the home folder, and in how many spans their days lie."""

    def __call__(self, name: str, zone: str) -> tuple[Span, ...]:
        """The days of a file or of all files of a folder. Raises ValueError with one line."""
        spans: list[Span] = []
        for path in _files(self._home, name):
            shown = name if path == self._home / name else f"{name}{path.name}"
            try:
                found = days_of(_text(path), ZoneInfo(zone), self._window)
            except ValueError as error:
                raise ValueError(f"{shown}: {error}") from None
            self.read[shown] = len(found)
            spans += found
        return joined(spans)


def _files(home: Path, name: str) -> list[Path]:
    """The calendar files that a name stands for; those that begin with a dot are an editor's or a system's leavings."""
    if not name.endswith("/"):
        return [home / name]
    try:
        found = sorted(os.listdir(home / name))
    except OSError as error:
        raise ValueError(f"{name}: cannot be read: {error.strerror}") from None
    return [home / name / file for file in found if file.endswith(".ics") and not file.startswith(".")]


def _text(path: Path) -> str:
    try:
        return read_bytes(path, _MOST_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ValueError(f"line {bad_line(error)}: is not UTF-8 text") from None
    except OSError as error:
        if error.errno == errno.EFBIG:
            raise ValueError(f"is larger than {_MOST_BYTES // 1_000_000} MB; export the days off alone") from None
        raise ValueError(f"cannot be read: {error.strerror}") from None


def calendar_stamp(home: Path, names: Iterable[str]) -> object:
    """When each file was last written, how long it is and which it is; what is not there counts as such."""
    return tuple((name, *(_stamp(path) for path in _seen(home, name))) for name in names)


def _seen(home: Path, name: str) -> list[Path]:
    try:
        return _files(home, name)
    except ValueError:
        return []


def _stamp(path: Path) -> tuple[str, int, int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return path.name, found.st_mtime_ns, found.st_size, found.st_ino
