"""How long commands take from the press of the key to their end, beside a Python that does nothing at all.

The home has a past of a month, with `--whole` of two years. All four are run in turn, so that whatever else the machine
does meets them alike; a figure is the median of its runs. Byte code is written first, as an installed program has it.
"""

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path
from statistics import median

from tests.bench.lab import fill, make_home

ROOT = Path(__file__).parents[2]
_NOTED = ("diary", "add", "watered", "--at", "juniper/top", "--amount", "0.5 L", "--by", "class 4b")


def measure(whole: bool) -> dict[str, float | int]:
    with tempfile.TemporaryDirectory() as name:
        home = make_home(Path(name) / "home")
        held = fill(home, 730 if whole else 30)
        environ = {key: text for key, text in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
        took = timed(home, environ | {"PYTHONPYCACHEPREFIX": str(Path(name) / "bytecode")}, 21 if whole else 11)
    return {
        "readings": held,
        **{f"{what}_s": round(seconds, 4) for what, seconds in took.items()},
        "ratio": round(took["help"] / took["empty"], 2),
        "status_ratio": round(took["status"] / took["empty"], 2),
    }


def timed(home: Path, environ: Mapping[str, str], runs: int) -> dict[str, float]:
    """Seconds of each, after one run that does not count."""
    program = ("-m", "collector.cli.main")
    asked = {
        "help": (*program, "--help"),
        "status": (*program, "status", "--home", str(home)),
        "diary_add": (*program, *_NOTED, "--home", str(home)),
        "empty": ("-c", "pass"),
    }
    took: dict[str, list[float]] = {what: [] for what in asked}
    for _ in range(runs + 1):
        for what, arguments in asked.items():
            began = time.perf_counter()
            subprocess.run([sys.executable, *arguments], cwd=ROOT, env=environ, check=True, stdout=subprocess.DEVNULL)
            took[what].append(time.perf_counter() - began)
    return {what: median(seconds[1:]) for what, seconds in took.items()}
