"""Which broker to use, from options, `SIM_SENSORS_...` variables or secret files, in this order.

A secret file is named like its variable, in upper or lower case, and lies in `SIM_SENSORS_SECRETS_DIR` or in the
folder systemd hands over in `CREDENTIALS_DIRECTORY`. A password is never taken from an option: those show in lists of
processes.
"""

from argparse import ArgumentTypeError
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from sim_sensors import arguments
from sim_sensors.sections import hint

PREFIX = "SIM_SENSORS_"
NAMES = ("HOST", "PORT", "USERNAME", "PASSWORD", "CA_FILE", "TLS")
_SECRETS_DIR = f"{PREFIX}SECRETS_DIR"
_ON, _OFF = ("1", "yes", "on", "true"), ("", "0", "no", "off", "false")


class BadSetting(Exception):
    """One line: which setting, what is wrong. Never the value of a secret."""


@dataclass(frozen=True, slots=True)
class Broker:
    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    ca_file: str | None = None
    tls: bool = False
    """On by itself where there is a CA file; alone it trusts the system's certificates."""


def broker(
    environ: Mapping[str, str],
    host: str | None = None,
    port: int | None = None,
    ca_file: str | None = None,
    tls: bool = False,
) -> Broker:
    """The broker the options and `environ` name. Raises BadSetting."""
    known = {f"{PREFIX}{name}" for name in NAMES}
    for name in sorted(environ):
        if name.startswith(PREFIX) and name not in known | {_SECRETS_DIR}:
            raise BadSetting(f"{name}: no such setting{hint(name, known)}")
    found = _secrets(environ) | {name: environ[name] for name in known & environ.keys()}
    ca_file = ca_file or found.get(f"{PREFIX}CA_FILE") or None
    tls = tls or _switch(found.get(f"{PREFIX}TLS", "")) or ca_file is not None
    if port is None:
        port = _port(found.get(f"{PREFIX}PORT") or ("8883" if tls else "1883"))
    return Broker(
        host or found.get(f"{PREFIX}HOST") or "127.0.0.1",
        port,
        found.get(f"{PREFIX}USERNAME") or None,
        found.get(f"{PREFIX}PASSWORD") or None,
        ca_file,
        tls,
    )


def _secrets(environ: Mapping[str, str]) -> dict[str, str]:
    """The files of the secrets folder that are ours, by the variable they stand for."""
    named = environ.get(_SECRETS_DIR)
    folder = named or environ.get("CREDENTIALS_DIRECTORY")
    if not folder:
        return {}
    if named and not Path(named).is_dir():
        raise BadSetting(f"{_SECRETS_DIR}: {named} is not a folder")
    known = {f"{PREFIX}{name}" for name in NAMES}
    try:
        files = [path for path in sorted(Path(folder).iterdir()) if path.name.upper() in known and path.is_file()]
        return {path.name.upper(): path.read_text(encoding="utf-8").rstrip("\r\n") for path in files}
    except (OSError, UnicodeDecodeError) as wrong:
        raise BadSetting(
            f"{folder}: a secret cannot be read: {getattr(wrong, 'strerror', None) or 'not text'}"
        ) from None


def _port(text: str) -> int:
    try:
        return arguments.port(text)
    except ArgumentTypeError as wrong:
        raise BadSetting(f"{PREFIX}PORT: {wrong}") from None


def _switch(text: str) -> bool:
    if text.lower() in _ON:
        return True
    if text.lower() in _OFF:
        return False
    raise BadSetting(f"{PREFIX}TLS: '{text}' is neither on nor off")
