"""A machine made of a folder: the scripts under deploy/ work on it with `--root`, and so never on this one."""

import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

CHECKOUT = Path(__file__).parents[2]
PARTS = ("collector", "sim_sensors", "rules", "deploy")
FILES = ("pyproject.toml", "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE")
ROOT = os.geteuid() == 0
"""Only root can give files to others; as anybody else the scripts leave all to whoever runs them, and say so."""

_WITHOUT_COMPILING = """\
#!/bin/sh
[ "$1 $2" = "-m compileall" ] || exec {python} "$@"
"""

Snapshot = dict[str, tuple[object, ...]]


class Machine:
    """`folder` holds a copy of the checkout, the tree, and a Python that the scripts find first.

    The virtual environment is there beforehand, under the name the installer looks for, and borrows the packages of the
    tests: downloading them is the whole run's (`python -m tests.bench install --whole`).
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.checkout, self.tree, self.bin = folder / "checkout", folder / "tree", folder / "bin"

    def make(self) -> "Machine":
        copy_checkout(self.checkout)
        self.bin.mkdir()
        (self.bin / "python3.13").symlink_to(Path(sys.base_prefix) / "bin" / f"python3.{sys.version_info.minor}")
        venv = self.path("/opt/traywarden/venvs") / self.shell('venv_id "$(any_python)"')
        subprocess.run([self.bin / "python3.13", "-m", "venv", "--without-pip", venv], check=True)
        (packages,) = (venv / "lib").glob("python3*/site-packages")
        ours = next(path for path in map(Path, sys.path) if path.name == "site-packages" and (path / "numpy").is_dir())
        (packages / "tests.pth").write_text(f"{ours}\n", encoding="utf-8")
        return self

    def copy(self, folder: Path) -> "Machine":
        """As it stands, for a test of its own. The checkout is shared, and so is each file of the program, which nobody
        writes in place. Further versions are not compiled, which takes seconds and which the first one was."""
        made = Machine(folder)
        made.checkout = self.checkout
        made.tree.mkdir(parents=True)
        made.bin.mkdir()
        python, ours = made.bin / "python3.13", self.bin / "python3.13"
        python.write_text(_WITHOUT_COMPILING.format(python=ours.resolve()) if ours.is_symlink() else ours.read_text())
        python.chmod(0o755)
        for path in self.tree.iterdir():
            subprocess.run(["cp", "-al" if path.name == "opt" else "-a", path, made.tree], check=True)
        return made

    def path(self, inside: str) -> Path:
        return self.tree / inside.lstrip("/")

    def shell(self, line: str) -> str:
        """What a line says that may use the functions of lib.sh."""
        sourced = f'root={self.checkout}; . "$root/deploy/venv.sh"; . "$root/deploy/lib.sh"; tree={self.tree}; {line}'
        done = subprocess.run(
            ["bash", "-euc", sourced], env=self.environment(), capture_output=True, text=True, check=True
        )
        return done.stdout.strip()

    def run(self, script: str, *arguments: str, code: int = 0, checkout: Path | None = None, **more: str) -> str:
        """One of the scripts on this tree; what it printed. Fails unless it exits with `code`."""
        words = ["bash", str((checkout or self.checkout) / "deploy" / script), *arguments, "--root", str(self.tree)]
        return self.command(*words, code=code, **more)

    def command(self, *words: str | Path, code: int = 0, **more: str) -> str:
        done = subprocess.run(
            words,
            env=self.environment() | more,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=120,
            check=False,
        )
        assert done.returncode == code, f"{words}: exit {done.returncode}\n{done.stdout}"
        return done.stdout

    def traywarden(self, *arguments: str, code: int = 0) -> str:
        """The installed program on the installed home folder."""
        program, home = self.path("/opt/traywarden/in-use/traywarden"), str(self.path("/var/lib/traywarden"))
        return self.command(program, *arguments, "--home", home, code=code)

    def environment(self) -> dict[str, str]:
        return {"PATH": f"{self.bin}:/usr/sbin:/usr/bin:/sbin:/bin", "HOME": str(self.folder), "LANG": "C.UTF-8"}

    def snapshot(self) -> Snapshot:
        """Every file of the tree: mode, owner, when it was changed, and what it is."""
        found: Snapshot = {}
        for path in sorted(self.tree.rglob("*")):
            if "__pycache__" not in path.parts and "venvs" not in path.parts:
                seen = path.lstat()
                link = os.readlink(path) if stat.S_ISLNK(seen.st_mode) else ""
                changed = seen.st_mtime_ns if stat.S_ISREG(seen.st_mode) else 0
                found[str(path)] = (seen.st_mode, seen.st_uid, seen.st_gid, changed, seen.st_size * bool(changed), link)
        return found


def copy_checkout(folder: Path) -> Path:
    ignored = shutil.ignore_patterns("__pycache__", "*.pyc")
    for part in PARTS:
        shutil.copytree(CHECKOUT / part, folder / part, ignore=ignored)
    for name in FILES:
        shutil.copy2(CHECKOUT / name, folder / name)
    return folder


def change(path: Path, before: str, after: str) -> None:
    """Replace a text that is there once."""
    text = path.read_text(encoding="utf-8")
    assert text.count(before) == 1, (path, before)
    path.write_text(text.replace(before, after), encoding="utf-8")
