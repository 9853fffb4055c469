"""`python -m tests.bench NAME [--json] [--whole]`: the figures the project promises, measured on this machine.

The last line printed is one JSON object. By itself each bench takes under 50 s; `--whole` runs it at full length.
"""

import argparse
import json
import sys
from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any

from tests.bench.kept import keep

Figures = Mapping[str, Any]
NAMES = (
    *("intake", "latency", "memory", "writes", "crash", "replay", "ahead"),
    *("scenarios", "worlds", "uplink", "rogue", "install", "startup", "broker_saves", "large"),
)


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench", description=__doc__.splitlines()[0] if __doc__ else ""
    )
    parser.add_argument("name", choices=NAMES)
    parser.add_argument("--json", action="store_true", help="print nothing but the JSON object")
    parser.add_argument("--whole", action="store_true", help="full length instead of under 50 s")
    parser.add_argument("--keep", action="store_true", help="write them into deploy/figures and the pages")
    parser.add_argument("--seed", type=int, help="worlds: another draw of labs (0)")
    arguments = parser.parse_args()
    if arguments.seed is not None and arguments.name != "worlds":
        parser.error("--seed belongs to worlds")
    measure: Callable[..., Figures] = import_module(f"tests.bench.{arguments.name}").measure
    figures = measure(arguments.whole, **({} if arguments.seed is None else {"seed": arguments.seed}))
    if not arguments.json:
        for key, value in figures.items():
            if isinstance(value, Mapping):
                continue
            print(f"{key:>24}  {value:.4g}" if isinstance(value, float) else f"{key:>24}  {value}")
    if arguments.keep:
        keep(arguments.name, figures, arguments.whole)
    print(json.dumps(figures))
    return 0


if __name__ == "__main__":
    sys.exit(main())
