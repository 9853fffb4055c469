"""Email as files, where no mail server is set: one `.eml` a message, whole or not there at all."""

import os
import re
import tempfile
from collections.abc import Callable
from pathlib import Path

from collector.delivery.mail import build_message
from collector.delivery.port import Draw, OutboxRow, TemporaryFailure, no_picture
from collector.letters.local_time import utc


class FileCarrier:
    """Writes each message into a folder under a name that follows from it, so that writing it again changes nothing."""

    def __init__(self, folder: Path, sender: str, lab_name: str, draw: Draw = no_picture) -> None:
        self._folder = folder
        self._sender = sender
        self._lab_name = lab_name
        self._draw = draw

    def deliver(self, row: OutboxRow, before_data: Callable[[], None]) -> str:
        """As `Carrier` says; the answer names the file."""
        content = build_message(row, self._sender, self._lab_name, self._draw(row)).as_bytes()
        path = self._folder / file_name(row)
        temporary = self._write(content)
        try:
            before_data()
            self._put(temporary, path)
        finally:
            temporary.unlink(missing_ok=True)
        return f"written to {path}"

    def _write(self, content: bytes) -> Path:
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            with tempfile.NamedTemporaryFile(dir=self._folder, prefix=".", suffix=".part", delete=False) as file:
                try:
                    file.write(content)
                    file.flush()
                    os.fsync(file.fileno())
                except OSError:
                    Path(file.name).unlink(missing_ok=True)
                    raise
                return Path(file.name)
        except OSError as error:
            raise self._failure(error) from None

    def _put(self, temporary: Path, path: Path) -> None:
        try:
            temporary.replace(path)
            folder = os.open(self._folder, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        except OSError as error:
            raise self._failure(error) from None

    def _failure(self, error: OSError) -> TemporaryFailure:
        return TemporaryFailure(f"{self._folder}: cannot write a message there: {(error.strerror or 'failed').lower()}")


def file_name(row: OutboxRow) -> str:
    """'20250303T162000Z-bedding-hot-3-....eml': sorts by time; holds nothing of the key that a path could mistake."""
    return f"{utc(row.created_ms):%Y%m%dT%H%M%SZ}-{re.sub(r'[^A-Za-z0-9_-]', '_', row.key)[:180]}.eml"
