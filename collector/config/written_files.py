"""The one way to read a file that a person wrote: an ordinary file, of bounded size, in UTF-8.

A pipe would hold the program up until somebody writes into it, a device may never end. Both are refused like a file
that cannot be read: with an OSError whose `strerror` says why in words, or a UnicodeDecodeError.
"""

import errno
import os
import stat
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    import ssl

MOST_TEXT = 4_000_000
"""Bytes of lab.yaml or a rule file: a million characters, whichever they are."""
MOST_SECRET = 64 * 1024
MOST_CERTIFICATES = 4_000_000
"""A system's whole bundle of authorities has a quarter of a megabyte."""
_KINDS = {
    stat.S_IFIFO: "a pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
}


def open_file(path: Path) -> BinaryIO:
    """For reading, never waiting: raises OSError for what is no ordinary file."""
    number = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        kind = stat.S_IFMT(os.fstat(number).st_mode)
        if kind == stat.S_IFDIR:
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
        if kind != stat.S_IFREG:
            raise OSError(errno.EINVAL, f"It is {_KINDS.get(kind, 'something')} and no ordinary file", str(path))
        return os.fdopen(number, "rb")
    except BaseException:
        os.close(number)
        raise


def read_bytes(path: Path, most: int = MOST_TEXT) -> bytes:
    """The whole file. Raises OSError, also where it holds more than `most` bytes."""
    with open_file(path) as file:
        held = file.read(most + 1)
    if len(held) > most:
        raise OSError(errno.EFBIG, f"It is larger than {most:,} bytes, the most that is read", str(path))
    return held


def read_text(path: Path, most: int = MOST_TEXT, encoding: str = "utf-8") -> str:
    """The whole file as text with line ends as '\\n'. Raises OSError as `read_bytes`, UnicodeDecodeError."""
    return read_bytes(path, most).decode(encoding).replace("\r\n", "\n").replace("\r", "\n")


def bad_line(error: UnicodeDecodeError) -> int:
    """In which line, from 1, a text stops being what it should be."""
    return error.object[: error.start].count(b"\n") + 1


def trusting(certificates: Path | None) -> "ssl.SSLContext":
    """What TLS needs to trust the authorities of a PEM file; None: those of the system. Raises OSError where the file
    cannot be read, its subclass ssl.SSLError where no certificate is in it."""
    import ssl

    if certificates is None:
        return ssl.create_default_context()
    held = read_bytes(certificates, MOST_CERTIFICATES).decode("ascii", "ignore")  # what stands around them may be any
    if "BEGIN" not in held:
        raise ssl.SSLError("no certificate")
    return ssl.create_default_context(cadata=held)
