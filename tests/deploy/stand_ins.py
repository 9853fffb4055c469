"""A folder index of wheels that hold nothing: every pinned package as it describes itself, and a made-up newer version
of each. What an installer chooses depends on names, versions and needs alone, so an environment is made in seconds."""

import hashlib
import re
import zipfile
from email.message import Message
from importlib.metadata import PackageMetadata, PackageNotFoundError, metadata
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.deploy.machine import CHECKOUT

NEWER = "9999"
ABSENT = "0" * 64
"""In place of a hash, where a pin is for other machines."""
LOCKS = ("requirements.txt", "requirements-demo.txt", "requirements-test.txt")
"""Each holds all of the one before it."""

TOOLS = "tools.txt"
"""What remakes and audits the locks, in environments of its own."""
OF_PYTHON = ("pip", "setuptools")
"""What a Python brings, or an environment cannot do without: no stand-in takes its place."""


def locked(lock: str) -> list[Requirement]:
    """The pins of a lock under deploy/."""
    text = (CHECKOUT / "deploy" / lock).read_text(encoding="utf-8").replace("\\\n", " ")
    return [Requirement(line.partition(" --hash")[0]) for line in text.splitlines() if line]


def version_of(pin: Requirement) -> str:
    (one,) = pin.specifier
    return one.version


class Index:
    """Wheels in `folder / wheels`, and locks in `folder / deploy` whose hashes are theirs."""

    def __init__(self, folder: Path) -> None:
        self.root, self.wheels = folder, folder / "wheels"
        self.wheels.mkdir()
        (folder / "deploy").mkdir()
        pins = {pin.name: pin for lock in (LOCKS[-1], TOOLS) for pin in locked(lock) if pin.name not in OF_PYTHON}
        here = [pin for pin in pins.values() if pin.marker is None or pin.marker.evaluate()]
        hashes = {pin.name: self._add(pin.name, version_of(pin)) for pin in here}
        for name in hashes:
            self._add(name, NEWER)
        for lock in (*LOCKS, TOOLS):
            known = (pin for pin in locked(lock) if pin.name not in OF_PYTHON)
            lines = [f"{pin} --hash=sha256:{hashes.get(pin.name, ABSENT)}\n" for pin in known]
            self.lock(lock).write_text("".join(lines), encoding="utf-8")

    def lock(self, name: str) -> Path:
        return self.root / "deploy" / name

    def _add(self, name: str, version: str) -> str:
        """One wheel; its sha256."""
        about, stem = _described(name), f"{re.sub('[-_.]+', '_', name).lower()}-{version}"
        needs = [
            f"{field}: {line}" for field in ("Requires-Dist", "Provides-Extra") for line in about.get_all(field) or ()
        ]
        described = "\n".join(["Metadata-Version: 2.1", f"Name: {name}", f"Version: {version}", *needs, ""])
        path = self.wheels / f"{stem}-py3-none-any.whl"
        with zipfile.ZipFile(path, "w") as wheel:
            wheel.writestr(f"{stem}.dist-info/METADATA", described)
            wheel.writestr(f"{stem}.dist-info/WHEEL", "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n")
            wheel.writestr(f"{stem}.dist-info/RECORD", "")
        return hashlib.sha256(path.read_bytes()).hexdigest()


def _described(name: str) -> Message | PackageMetadata:
    """By itself where it is in the environment of the tests; a tool that is not is taken to need nothing."""
    try:
        return metadata(name)
    except PackageNotFoundError:
        return Message()


def wanted(lock: str, python_version: str) -> dict[str, str]:
    """Name -> version of what a lock says for this machine and that Python."""
    return {
        canonicalize_name(pin.name): version_of(pin)
        for pin in locked(lock)
        if pin.name not in OF_PYTHON
        if pin.marker is None or pin.marker.evaluate({"python_version": python_version})
    }
