"""Reports the broker has not confirmed yet, oldest first, and how they outlast a network that is away.

New ones are in memory. While the network is away, every `per_file` of them become one file on flash, so that it is
written seldom; a power cut loses what was still in memory. A file is removed when all in it is confirmed: after a power
cut in between, some are sent twice with the same times, which the collector stores once. Only reports whose time is
known go to flash: for others nobody could tell after a power cut how old they are. When there is no more room, the
oldest give way.

A report is (time by this board's clock in seconds, records of its pack as text). In a file it is a line: time, blank,
records.
"""

import os

from clock import is_set

FOLDER = "kept"
_RTC_BYTES = 2000
"""The board keeps 2048 over deep sleep."""


class Kept:
    def __init__(self, per_file, most_files, most_in_memory, say):
        self._per_file, self._most_files, self._most_in_memory, self._say = per_file, most_files, most_in_memory, say
        self._new = []
        try:
            os.mkdir(FOLDER)
        except OSError:
            pass
        self._files = sorted(int(name) for name in os.listdir(FOLDER) if name.isdigit())

    def __len__(self):
        """How many are in memory."""
        return len(self._new)

    @property
    def files(self):
        return len(self._files)

    def add(self, t_s, body):
        self._new.append((t_s, body))
        if len(self._new) > self._most_in_memory:
            self._new.pop(0)
            self._say("no more room: the oldest report is dropped")

    def clock_moved(self, by_s):
        """The clock was set for the first time: reports from before get the times they really had."""
        self._new = [(t_s if is_set(t_s) else t_s + by_s, body) for t_s, body in self._new]

    def still_away(self):
        """To call after each try that failed: writes a file when there is enough for one."""
        if sum(1 for t_s, _ in self._new if is_set(t_s)) >= self._per_file:
            self.to_flash()

    def to_flash(self):
        """Writes all whose time is known into one file."""
        timed = [report for report in self._new if is_set(report[0])]
        if not timed:
            return
        text = "".join("%d %s\n" % report for report in timed)
        try:
            self._write(text)
        except OSError:
            if not self._drop_oldest_file():
                raise
            self._write(text)
        self._new = [report for report in self._new if not is_set(report[0])]
        while len(self._files) > self._most_files:
            self._drop_oldest_file()

    def send_all(self, send, stop):
        """Calls `send(time, records)` for each, oldest first, and forgets it when that returns. What it raises goes on
        to the caller. `stop()` true: enough for now."""
        while self._files:
            for t_s, body in self._read(self._files[0]):
                send(t_s, body)
            self._remove(self._files.pop(0))
            if stop():
                return
        while self._new and not stop():
            send(*self._new[0])
            self._new.pop(0)

    def for_sleep(self):
        """What is in memory, small enough for what the board keeps in deep sleep; the rest goes to flash."""
        if len(self._as_text()) > _RTC_BYTES:
            self.to_flash()
        while len(self._as_text()) > _RTC_BYTES:
            self._new.pop(0)
            self._say("no more room: the oldest report is dropped")
        return self._as_text()

    def after_sleep(self, text):
        self._new = list(_lines(text)) + self._new

    def _as_text(self):
        return "".join("%d %s\n" % report for report in self._new)

    def _write(self, text):
        number = self._files[-1] + 1 if self._files else 1
        with open(_path(number), "w") as file:
            file.write(text)
        self._files.append(number)

    def _read(self, number):
        try:
            with open(_path(number)) as file:
                yield from _lines(file)
        except (OSError, UnicodeError):
            self._say("the file %s cannot be read; what is left of it is lost" % _path(number))

    def _remove(self, number):
        try:
            os.remove(_path(number))
        except OSError:
            self._say("the file %s cannot be removed" % _path(number))

    def _drop_oldest_file(self):
        if not self._files:
            return False
        self._say("no more room: the oldest file of reports is dropped")
        self._remove(self._files.pop(0))
        return True


def _path(number):
    return "%s/%08d" % (FOLDER, number)


def _lines(lines):
    """Reports from whole lines; a line cut off by a power cut is left out."""
    for line in lines.split("\n")[:-1] if isinstance(lines, str) else lines:
        time, blank, body = line.rstrip("\n").partition(" ")
        if blank and time.isdigit() and body.startswith("{") and body.endswith("}"):
            yield int(time), body
