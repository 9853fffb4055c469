"""Whether others on this machine can read the home folder: messages and journal in it hold links that are keys."""

import shlex
from collections.abc import Iterator

from collector.cli.checkup.checks import Finding, fix
from collector.config.home import Home

_OTHERS = 0o007


def check_home(home: Home) -> Iterator[Finding]:
    """Something to fix where whoever has an account here can look into it; its group may."""
    if home.path.is_dir() and home.path.stat().st_mode & _OTHERS:
        yield fix(
            "home",
            f"others on this machine can open {home.path}, and links in it are keys; "
            f"run: chmod -R o-rwx {shlex.quote(str(home.path))}",
        )
