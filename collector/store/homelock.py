"""One collector per home folder: a lock the operating system lets go of however the process ends."""

import fcntl
import os
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Self

from collector.store.errors import HomeLocked, StoreError

LOCK_FILE = "traywarden.lock"


class HomeLock:
    """Held by `watch` while it runs and by `restore` while it works. The file stays; only the lock on it counts."""

    def __init__(self, home: Path) -> None:
        self.path = home / LOCK_FILE
        self._fd: int | None = None

    def acquire(self) -> Self:
        """Raises HomeLocked, naming the process, where another holds it."""
        if self._fd is not None:
            return self
        try:
            fd = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise StoreError(f"{self.path}: {error.strerror}") from error
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.read(fd, 20).decode("ascii", "replace").strip()
            os.close(fd)
            if not isinstance(error, BlockingIOError):
                raise StoreError(f"{self.path}: {error.strerror}") from error
            who = f" (process {holder})" if holder.isdigit() else ""
            raise HomeLocked(f"{self.path.parent}: a collector is running here{who}; stop it first") from None
        with suppress(OSError):  # on a full disk the lock holds all the same; the number only names its holder
            os.ftruncate(fd, 0)
            os.write(fd, f"{os.getpid()}\n".encode())
        self._fd = fd
        return self

    def release(self) -> None:
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None

    def __enter__(self) -> Self:
        return self.acquire()

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.release()
