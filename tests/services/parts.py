"""Programs that some tests need and Python cannot install.

Missing on a laptop: the test is skipped, and the end of the run says which and what to install. Missing in CI: failed.
"""

import os
import shutil

import pytest

IN_CI = os.environ.get("CI", "").lower() in ("true", "1")

PACKAGES = {
    "mosquitto": "mosquitto",
    "mosquitto_passwd": "mosquitto",
    "mosquitto_pub": "mosquitto-clients",
    "mosquitto_sub": "mosquitto-clients",
    "chromium": "chromium",
    "victoria-metrics": "victoria-metrics",
    "systemd-analyze": "systemd",
    "shellcheck": "shellcheck",
    "openssl": "openssl",
}
"""Program -> Debian package."""

_SEARCH = os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin", "/usr/local/sbin"))
"""Debian puts servers in sbin, which is not on an ordinary user's PATH."""


def find(program: str) -> str | None:
    return shutil.which(program, path=_SEARCH)


def need(program: str) -> str:
    """The full path of the program, or the end of this test."""
    found = find(program)
    if found is not None:
        return found
    missing = f"{program} is not on this machine; install it with: apt-get install {PACKAGES[program]}"
    if IN_CI:
        pytest.fail(missing)
    pytest.skip(missing)
