"""The home folder: where it is, what stands in it, and reading the lab and its rules from there."""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from collector.alarms.model import Rule
from collector.config.calendars import SchoolCalendars
from collector.config.clock import system_now
from collector.config.lab_file import read_lab
from collector.config.written_files import bad_line, read_text
from collector.domain.lab import Lab
from collector.domain.own_series import with_own_series
from collector.domain.problems import Problem, Refused

if TYPE_CHECKING:
    from collector.config.rules.layers import RuleSet


@dataclass(frozen=True, slots=True)
class Home:
    """`$TRAYWARDEN_HOME`: lab.yaml, rules/, traywarden.db, outbox/."""

    path: Path
    rules_at: Path | None = None
    """Read the lab's own rules from here instead: a set to be tried on what is stored."""

    @property
    def lab_file(self) -> Path:
        """What people wrote about the lab."""
        return self.path / "lab.yaml"

    @property
    def rules_folder(self) -> Path:
        """The lab's changes over the rules that ship."""
        return self.path / "rules" if self.rules_at is None else self.rules_at

    @property
    def database(self) -> Path:
        """The journal."""
        return self.path / "traywarden.db"

    @property
    def outbox_folder(self) -> Path:
        """Where mail goes to files."""
        return self.path / "outbox"

    @property
    def sign_of_life(self) -> Path:
        """What the collector last said of itself."""
        return self.path / "traywarden.watch"

    @property
    def new_session(self) -> Path:
        """Written when the broker began a session for us anew; deploy/systemd has the broker save it then."""
        return self.path / "traywarden.new-session"

    def client_id(self) -> str:
        """A client id of its own for each home on each machine, stable over restarts."""
        digest = sha256(f"{os.uname().nodename}:{self.path.resolve()}".encode()).hexdigest()
        return f"traywarden-{digest[:10]}"

    def load_lab(self, calendars: SchoolCalendars | None = None) -> Lab:
        """The lab with the days off of the calendars it names. Raises Refused with every problem of lab.yaml."""
        return with_own_series(read_lab(self.lab_text(), "lab.yaml", calendars=calendars or self.calendars()))

    def lab_text(self) -> str:
        """lab.yaml as it stands there. Raises Refused where it cannot be read."""
        return _text(self.lab_file, "make one with: traywarden init")

    def calendars(self) -> SchoolCalendars:
        """Reads the calendars that lab.yaml names."""
        return SchoolCalendars(self.path, system_now())

    def load_rules(self) -> tuple[Rule, ...]:
        """The rules in force. Raises Refused as `load_rule_set`."""
        return self.load_rule_set().rules

    def load_rule_set(self) -> "RuleSet":
        """The shipped alarms with what the lab changes about them and adds, those switched off included. Raises Refused
        with every problem of every rule file."""
        rules, problems = self.examine_rules()
        if problems:
            raise Refused(problems)
        return rules

    def examine_rules(self) -> "tuple[RuleSet, tuple[Problem, ...]]":
        """The alarms that are good, and every problem of every rule file."""
        from collector.config.rules.layers import examine_layers  # loads much that commands without rules do not need

        texts: dict[str, str] = {}
        problems: list[Problem] = []
        for path in self.rule_files():
            name = f"rules/{path.name}"
            try:
                texts[name] = _text(path, "take it away or put it back", name)
            except Refused as refused:
                problems += refused.problems
        return examine_layers(shipped_rules(), texts, problems)

    def rule_files(self) -> list[Path]:
        """The lab's own; names that begin with a dot are an editor's or a system's leavings."""
        folder = self.rules_folder
        found = [*sorted(folder.glob("*.yaml")), *sorted(folder.glob("*.yml"))] if folder.is_dir() else []
        return [path for path in found if not path.name.startswith(".")]


def shipped_rules() -> Mapping[str, str]:
    """The rule sets that ship, by file name: beside the package when installed, at the top of a checkout otherwise."""
    from importlib.resources import files

    packaged = files("collector") / "shipped_rules"
    folder = Path(str(packaged)) if packaged.is_dir() else Path(__file__).resolve().parents[2] / "rules"
    return {f"rules/{path.name}": read_text(path) for path in sorted(folder.glob("*.yaml"))}


def find_home(given: str | None, environ: Mapping[str, str]) -> Home:
    """`--home`, else `$TRAYWARDEN_HOME`, else ~/traywarden."""
    return Home(Path(given or environ.get("TRAYWARDEN_HOME") or Path.home() / "traywarden"))


def _text(path: Path, hint: str, name: str = "") -> str:
    try:
        return read_text(path)
    except FileNotFoundError:
        raise Refused([Problem(file=name or str(path), message=f"is not there; {hint}")]) from None
    except UnicodeDecodeError as error:
        raise Refused(
            [
                Problem(
                    file=name or path.name,
                    line=bad_line(error),
                    column=1,
                    message="is not UTF-8 text; save it as UTF-8",
                )
            ]
        ) from None
    except OSError as error:
        raise Refused([Problem(file=name or str(path), message=f"cannot be read: {error.strerror}")]) from None
