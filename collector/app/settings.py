"""Settings of the machine: where the broker and the mail server are, and the secrets to use them.

They come from `TRAYWARDEN_...` environment variables, or from files of the same names in a secrets folder
(`TRAYWARDEN_SECRETS_DIR`, or the folder systemd hands over in `CREDENTIALS_DIRECTORY`).
The lab itself stands in lab.yaml.
"""

import os
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, SecretStr, ValidationError
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from collector.domain.problems import Problem, Refused, nearest

PREFIX = "TRAYWARDEN_"
_OUTSIDE = {"TRAYWARDEN_HOME", "TRAYWARDEN_SECRETS_DIR"}


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)


class Mqtt(_Section):
    """The broker the probes publish to."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    username: str | None = None
    password: SecretStr | None = None
    tls: bool = False
    """On by itself where `ca_file` is set; alone it trusts the system's certificates."""
    ca_file: Path | None = None
    client_id: Annotated[str, Field(max_length=64, pattern=r"^[0-9A-Za-z._-]*$")] = ""
    """Empty: made from the home folder, so that each home keeps its own session at the broker."""
    topic: str = "worms/#"
    version: Literal["5", "3.1.1"] = "5"
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = 30


class Mail(_Section):
    """The mail server. No host: mail goes to files under `outbox/`."""

    host: str | None = None
    port: Annotated[int, Field(ge=1, le=65535)] = 587
    username: str | None = None
    password: SecretStr | None = None
    security: Literal["none", "starttls", "tls"] = "starttls"
    sender: str = "traywarden@localhost"
    ca_file: Path | None = None


class Chat(_Section):
    """Chat addresses as apprise takes them, separated by spaces or commas. They hold secrets."""

    urls: SecretStr | None = None

    def each(self) -> tuple[str, ...]:
        text = self.urls.get_secret_value() if self.urls is not None else ""
        return tuple(part for part in re.split(r"[\s,]+", text) if part)


class Journal(_Section):
    """How long raw readings are kept; hourly and daily figures stay."""

    keep_days: Annotated[int, Field(ge=2, le=36500)] = 730


class Settings(BaseSettings):
    """All of them. Unknown `TRAYWARDEN_` variables are refused, so that a slip of the keyboard is not silence."""

    model_config = SettingsConfigDict(
        env_prefix=PREFIX, env_nested_delimiter="__", frozen=True, extra="forbid", hide_input_in_errors=True
    )

    mqtt: Mqtt = Mqtt()
    mail: Mail = Mail()
    chat: Chat = Chat()
    journal: Journal = Journal()

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        return init_settings, env_settings, _SecretFiles(settings_cls, secrets_folder(os.environ))


class _SecretFiles(PydanticBaseSettingsSource):
    """Files named like the variables (`TRAYWARDEN_MAIL__PASSWORD`), upper or lower case, one value each."""

    def __init__(self, settings_cls: type[BaseSettings], folder: Path | None) -> None:
        super().__init__(settings_cls)
        self._folder = folder

    def get_field_value(self, field: Any, field_name: str) -> tuple[Any, str, bool]:
        return None, field_name, False

    def __call__(self) -> dict[str, Any]:
        found: dict[str, dict[str, str]] = {}
        for path in sorted(self._folder.iterdir()) if self._folder is not None and self._folder.is_dir() else ():
            section, _, name = path.name.lower().removeprefix(PREFIX.lower()).partition("__")
            if path.name.upper().startswith(PREFIX) and name and path.is_file():
                found.setdefault(section, {})[name] = path.read_text(encoding="utf-8").rstrip("\r\n")
        return found


def secrets_folder(environ: Mapping[str, str]) -> Path | None:
    named = environ.get("TRAYWARDEN_SECRETS_DIR") or environ.get("CREDENTIALS_DIRECTORY")
    return Path(named) if named else None


def known_variables() -> tuple[str, ...]:
    """Every environment variable the program reads."""
    sections = {name: info.annotation for name, info in Settings.model_fields.items()}
    return (
        *sorted(_OUTSIDE),
        *(f"{PREFIX}{s}__{n}".upper() for s, model in sections.items() for n in getattr(model, "model_fields", ())),
    )


def load_settings(environ: Mapping[str, str] | None = None) -> Settings:
    """Read the settings. Raises Refused with every variable that is wrong; values are never repeated back."""
    environ = os.environ if environ is None else environ
    problems = list(_unknown(environ))
    try:
        settings = Settings()
    except ValidationError as error:
        for found in error.errors(include_url=False, include_input=False):
            name = PREFIX + "__".join(str(part) for part in found["loc"]).upper()
            if found["type"] != "extra_forbidden" or name not in {problem.field for problem in problems}:
                problems.append(Problem("environment", 0, 0, name, _lower_first(found["msg"])))
    except UnicodeDecodeError:
        problems.append(Problem("environment", 0, 0, "TRAYWARDEN_SECRETS_DIR", "holds a file that is not UTF-8 text"))
    if problems:
        raise Refused(problems)
    return settings


def _unknown(environ: Mapping[str, str]) -> Iterator[Problem]:
    known = known_variables()
    for name in environ:
        if name.startswith(PREFIX) and name not in known:
            guess = nearest(name.removeprefix(PREFIX), [k.removeprefix(PREFIX).lower() for k in known])
            right = f"did you mean {PREFIX}{guess.upper()}?" if guess else f"known: {', '.join(known)}"
            yield Problem("environment", 0, 0, name, f"not a setting; {right}")


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]
