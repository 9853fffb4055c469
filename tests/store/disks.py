"""Disks that misbehave for real: full, or read-only."""

import os
import resource
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def no_file_beyond(limit_bytes: int) -> Iterator[None]:
    """No file of this process can grow past the limit: works for root as for anyone, writes fail with EFBIG."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@contextmanager
def small_disk(folder: Path, size_kib: int) -> Iterator[Path]:
    """A disk of its own of that size; skips where this machine does not let us mount one."""
    folder.mkdir()
    options = f"size={size_kib}k,uid={os.geteuid()}"
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", folder], capture_output=True, check=False)
    if made.returncode != 0:
        pytest.skip("mounting a small disk needs root; the tests with a file size limit stand in")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """Nothing in the folder can be written: by permissions, or for root, who may write anyway, by a mount."""
    if os.geteuid() != 0:
        for path in folder.iterdir():
            path.chmod(0o444)
        folder.chmod(0o555)
        try:
            yield
        finally:
            folder.chmod(0o755)
            for path in folder.iterdir():
                path.chmod(0o644)
        return
    bound = subprocess.run(["mount", "--bind", folder, folder], capture_output=True, check=False)
    if bound.returncode != 0:
        pytest.skip("root writes where permissions forbid it, and this machine lets us mount nothing read-only")
    try:
        subprocess.run(["mount", "-o", "remount,bind,ro", folder], check=True)
        yield
    finally:
        subprocess.run(["umount", "-l", folder], check=True)
