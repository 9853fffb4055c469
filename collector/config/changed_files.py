"""lab.yaml, its calendars and the rule files while the collector runs: seeing that they changed, and reading them.

A file is read once it has stood unchanged from one look to the next, so that one that is still being written is not
taken for whole. What cannot be used is told line by line, and what was read before stays.
"""

from collections.abc import Callable

from collector.alarms.changes import difference, signatures
from collector.config.calendars import calendar_stamp
from collector.config.home import Home
from collector.config.lab_file import calendar_names
from collector.config.log import Log
from collector.config.rules.layers import RuleSet
from collector.domain.lab import Lab
from collector.domain.problems import Problem, Refused


class _Watched:
    """Whether something that can be stamped has changed since it was last read."""

    def __init__(self, stamp: object) -> None:
        self._read = self._seen = stamp

    def due(self, stamp: object, asked: bool) -> bool:
        ready = asked or (stamp == self._seen and stamp != self._read)
        self._seen = stamp
        if ready:
            self._read = stamp
        return ready


class WatchedFiles:
    """`lab` and `rules` are the last good ones: another object only where another meaning was read."""

    def __init__(self, home: Home, log: Log) -> None:
        """Raises Refused with every problem of lab.yaml and the rules."""
        self._home, self._log = home, log
        self._named_at: object = None
        self._named: tuple[str, ...] = ()
        self._lab_file, self._rule_files = _Watched(self._lab_stamp()), _Watched(self._rules_stamp())
        problems: list[Problem] = []
        try:
            self.lab: Lab = home.load_lab()
        except Refused as refused:
            problems += refused.problems
        try:
            self.rules: RuleSet = home.load_rule_set()
        except Refused as refused:
            problems += refused.problems
        if problems:
            raise Refused(problems)

    def look(self, asked: bool = False) -> None:
        """Read what has changed; `asked`: read all of it now."""
        if self._lab_file.due(self._lab_stamp(), asked):
            self._read("lab.yaml", self._read_lab)
        if self._rule_files.due(self._rules_stamp(), asked):
            self._read("the rules", self._read_rules)

    def _read(self, what: str, read: Callable[[], bool]) -> None:
        try:
            if not read():
                self._log(f"{what}: read again, means the same as before")
        except Refused as refused:
            for problem in refused.problems:
                self._log.warning(f"not taken up: {problem}")
            self._log.warning(f"{what}: as before, until that is put right")

    def _read_lab(self) -> bool:
        lab = self._home.load_lab()
        if lab == self.lab:
            return False
        self.lab = lab
        return True

    def _read_rules(self) -> bool:
        rules = self._home.load_rule_set()
        if not difference(signatures(self.rules.rules), signatures(rules.rules)):
            return False
        self.rules = rules
        return True

    def _lab_stamp(self) -> object:
        """Of the file and of the calendars it names, which are looked for again when it has changed."""
        try:
            found = self._home.lab_file.stat()
        except OSError:
            return None
        stamp = found.st_mtime_ns, found.st_size, found.st_ino
        if stamp != self._named_at:
            self._named_at, self._named = stamp, self._calendar_names()
        return stamp, calendar_stamp(self._home.path, self._named)

    def _calendar_names(self) -> tuple[str, ...]:
        try:
            return calendar_names(self._home.lab_text())
        except Refused:
            return ()

    def _rules_stamp(self) -> object:
        stamps = []
        for path in self._home.rule_files():
            try:
                found = path.stat()
            except OSError:
                continue
            stamps.append((path.name, found.st_mtime_ns, found.st_size, found.st_ino))
        return stamps
