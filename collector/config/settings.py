"""Settings of the machine: where the broker and the mail server are, and the secrets to use them.

They come from `TRAYWARDEN_...` environment variables, or from files of the same names in a secrets folder
(`TRAYWARDEN_SECRETS_DIR`, or the folder systemd hands over in `CREDENTIALS_DIRECTORY`).
The lab itself stands in lab.yaml.
"""

import os
import re
import ssl
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal, Self
from urllib.parse import urlsplit

from paho.mqtt.client import topic_matches_sub
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, SecretStr, ValidationError, model_validator
from pydantic_core import PydanticCustomError
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict, SettingsError

from collector.config.written_files import MOST_SECRET, read_text, trusting
from collector.domain.problems import Problem, Refused, nearest

PREFIX = "TRAYWARDEN_"
_SECRETS_DIR = "TRAYWARDEN_SECRETS_DIR"
_OUTSIDE = {"TRAYWARDEN_HOME", _SECRETS_DIR}


def _certificates(path: Path) -> Path:
    """Looked at when the settings are read: later, each connection would fail over it."""
    try:
        trusting(path)
    except ssl.SSLError:
        raise PydanticCustomError("ca_file", "the file holds no certificates in PEM form") from None
    except OSError as error:
        raise PydanticCustomError("ca_file", "the file cannot be read: {why}", {"why": error.strerror}) from None
    return path


def _topic_filter(text: str) -> str:
    """MQTT 5.0 section 4.7: '+' stands for one whole level, '#' for all that follow and comes last."""
    levels = text.split("/")
    whole = all(level in ("+", "#") or not {"+", "#"} & set(level) for level in levels)
    if not text or not whole or "#" in levels[:-1] or len(text.encode("utf-8", "replace")) > 65_535:
        raise PydanticCustomError("topic", "not a topic filter; write one such as worms/# or school/+/worms/#")
    return text


def _web_address(text: str) -> str:
    """An http or https address; its path may end in '/' or not."""
    try:
        parts = urlsplit(text)
        good = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        good = False
    if not good or not text.isprintable() or " " in text:
        raise PydanticCustomError("url", "not a web address; write it like https://worms.quillbrook.example")
    return text


def _page_address(text: str) -> str:
    """The start of links in messages, without '/' at its end; empty: none."""
    if text and {"?", "#"} & set(_web_address(text)):
        raise PydanticCustomError("url", "not the start of links: it holds '?' or '#'")
    if "@" in urlsplit(text).netloc:
        raise PydanticCustomError("url", "it holds a user name or password, and is shown to people; write it without")
    return text.rstrip("/")


def _secret_address(secret: SecretStr) -> SecretStr:
    _web_address(secret.get_secret_value())
    return secret


def _topic(text: str) -> str:
    """A topic to publish to: no '+', no '#' (MQTT 5.0 section 4.7); empty: none."""
    if {"+", "#", "\0"} & set(text) or len(text.encode("utf-8", "replace")) > 65_535:
        raise PydanticCustomError("topic", "not a topic to publish to; write one such as traywarden/alive")
    return text


def _named_addresses(secret: SecretStr) -> SecretStr:
    """Names are words; none comes twice; each has an address. What is written may be secret and is not repeated."""
    named = [_name_and_url(part) for part in _parts(secret)]
    for number, (name, url) in enumerate(named, 1):
        where = {"number": number}
        if name is not None and not _CHAT_NAME.fullmatch(name):
            says = "entry {number}: a name is lower-case letters, digits and '-', like teacher-phone=scheme://..."
            raise PydanticCustomError("chat_name", says, where)
        if name is not None and "://" not in url:
            raise PydanticCustomError("chat_name", "entry {number}: after 'name=' comes an address scheme://...", where)
        if name is not None and name in [other for other, _ in named[: number - 1]]:
            raise PydanticCustomError("chat_name", "entry {number}: its name is taken by one before it", where)
    return secret


def _parts(secret: SecretStr | None) -> list[str]:
    text = secret.get_secret_value() if secret is not None else ""
    return [part for part in re.split(r"[\s,]+", text) if part]


def _name_and_url(part: str) -> tuple[str | None, str]:
    """'teacher-phone=json://a?b=c' is named, 'json://a?b=c' is not."""
    name, equals, url = part.partition("=")
    return (name, url) if equals and "://" not in name else (None, part)


_CHAT_NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_CaFile = Annotated[Path, AfterValidator(_certificates)]


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)


class Mqtt(_Section):
    """The broker the probes publish to."""

    host: Annotated[str, Field(min_length=1)] = "127.0.0.1"
    """The broker."""
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    """Its port; with TLS mostly 8883."""
    username: str | None = None
    """Login at the broker."""
    password: SecretStr | None = None
    """Login at the broker."""
    tls: bool = False
    """On by itself where `ca_file` is set; alone it trusts the system's certificates."""
    ca_file: _CaFile | None = None
    """Turns TLS on and is trusted alone."""
    client_id: Annotated[str, Field(max_length=64, pattern=r"^[0-9A-Za-z._-]*$")] = ""
    """Empty: made from the home folder, so that each home keeps its own session at the broker."""
    topic: Annotated[str, AfterValidator(_topic_filter)] = "worms/#"
    """What to subscribe to."""
    version: Literal["5", "3.1.1"] = "5"
    """Of the protocol."""
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = 30
    """Seconds between signs of life on the connection."""


class Mail(_Section):
    """The mail server. No host: mail goes to files under `outbox/`."""

    host: str | None = None
    """The mail server; none: messages go to files in `outbox/`."""
    port: Annotated[int, Field(ge=1, le=65535)] = 587
    """Its port; with `tls` mostly 465."""
    username: str | None = None
    """Login at the mail server."""
    password: SecretStr | None = None
    """Login at the mail server."""
    security: Literal["none", "starttls", "tls"] = "starttls"
    """How the conversation is encrypted."""
    sender: str = "traywarden@localhost"
    """Who the mail is from."""
    ca_file: _CaFile | None = None
    """Trusted for the mail server, instead of the system's certificates."""


class Chat(_Section):
    """Chat addresses as apprise takes them, separated by spaces or commas, plain or as `name=scheme://...`. They hold
    secrets."""

    urls: Annotated[SecretStr, AfterValidator(_named_addresses)] | None = None
    """Addresses, separated by spaces; `teacher-phone=scheme://...` names one for `people`."""

    def each(self) -> tuple[str, ...]:
        """The addresses without their names."""
        return tuple(url for _, url in self.named())

    def named(self) -> tuple[tuple[str, str], ...]:
        """Name and address of each in order; the name is '' where none is given."""
        return tuple((name or "", url) for name, url in map(_name_and_url, _parts(self.urls)))


class Board(_Section):
    """The pages, and the links to them in messages."""

    host: Annotated[str, Field(min_length=1)] = "127.0.0.1"
    """Where the pages are served."""
    port: Annotated[int, Field(ge=1, le=65535)] = 8780
    """Where the pages are served."""
    url: Annotated[str, AfterValidator(_page_address)] = ""
    """How people reach the pages, without '/' at its end; empty: messages hold no links."""
    link_secret: Annotated[SecretStr, Field(min_length=16)] | None = None
    """Signs the links; without it there are none."""


class Heartbeat(_Section):
    """A sign of life for a watcher elsewhere, by web address, MQTT topic or both."""

    url: Annotated[SecretStr, AfterValidator(_secret_address)] | None = None
    """Address that is called; most such addresses hold a key of their own."""
    topic: Annotated[str, AfterValidator(_topic)] = ""
    """Outside the topics of the probes."""
    every_s: Annotated[int, Field(ge=10, le=86_400)] = 300
    """Seconds between signs of life."""


class Uplink(_Section):
    """A database for many labs, which takes the InfluxDB write API v2. No URL: no uplink."""

    url: Annotated[str, AfterValidator(_page_address)] = ""
    """Where the database answers; without a login in it."""
    token: SecretStr | None = None
    """Login at the database."""
    org: str = ""
    """Organisation there, where it has such."""
    bucket: str = ""
    """Bucket or database there; needed with the URL."""
    site: Annotated[str, Field(max_length=100)] = ""
    """Tag of every line, such as the school; left out where empty."""
    lab: Annotated[str, Field(max_length=100)] = ""
    """Tag of every line; empty: the lab's name in lab.yaml."""
    every_s: Annotated[int, Field(ge=1, le=86_400)] = 60
    """Seconds that readings wait to go together."""

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.url and not self.bucket:
            raise PydanticCustomError("uplink", "the URL needs a bucket; set TRAYWARDEN_UPLINK__BUCKET")
        return self


class JournalSettings(_Section):
    """How long raw readings are kept; hourly and daily figures stay."""

    keep_days: Annotated[int, Field(ge=2, le=36500)] = 730
    """Days that raw readings are kept."""


class Settings(BaseSettings):
    """All of them. Unknown `TRAYWARDEN_` variables are refused, so that a slip of the keyboard is not silence."""

    model_config = SettingsConfigDict(
        env_prefix=PREFIX, env_nested_delimiter="__", frozen=True, extra="forbid", hide_input_in_errors=True
    )

    mqtt: Mqtt = Mqtt()
    mail: Mail = Mail()
    chat: Chat = Chat()
    journal: JournalSettings = JournalSettings()
    board: Board = Board()
    heartbeat: Heartbeat = Heartbeat()
    uplink: Uplink = Uplink()

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
        for name, path in _secret_paths(self._folder).items():
            section, _, setting = name.removeprefix(PREFIX).lower().partition("__")
            if setting:
                found.setdefault(section, {})[setting] = read_text(path, MOST_SECRET).rstrip("\n")
        return found


def _secret_paths(folder: Path | None) -> dict[str, Path]:
    """The files of the folder that are ours, by the variable they stand for; others may lie beside them."""
    if folder is None or not folder.is_dir():
        return {}
    ours = (path for path in sorted(folder.iterdir()) if path.name.upper().startswith(PREFIX) and not path.is_dir())
    return {path.name.upper(): path for path in ours}


def secrets_folder(environ: Mapping[str, str]) -> Path | None:
    named = environ.get(_SECRETS_DIR) or environ.get("CREDENTIALS_DIRECTORY")
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
    problems: list[Problem] = []
    try:
        problems += _unknown(environ)
        settings = Settings()
        problems += _own_voice(settings)
    except ValidationError as error:
        for found in error.errors(include_url=False, include_input=False):
            name = PREFIX + "__".join(str(part) for part in found["loc"]).upper()
            if found["type"] != "extra_forbidden" or not _said(name, problems):
                problems.append(Problem(file="environment", field=name, message=_lower_first(found["msg"])))
    except SettingsError as error:  # a whole section in one variable, which is not a setting and said already
        problems = problems or [Problem(file="environment", message=_lower_first(str(error)))]
    except UnicodeDecodeError:
        problems.append(Problem(file="environment", field=_SECRETS_DIR, message="holds a file that is not UTF-8 text"))
    except OSError as error:
        problems.append(Problem(file="environment", field=_SECRETS_DIR, message=_unreadable(error)))
    if problems:
        raise Refused(problems)
    return settings


def _unreadable(error: OSError) -> str:
    """Of the secrets folder, or of one file in it, which is named."""
    named = f"{Path(error.filename).name} " if error.filename else ""
    return f"{named}cannot be read: {error.strerror}"


def _own_voice(settings: Settings) -> Iterator[Problem]:
    """A sign of life among the probes' topics would come back to us as a reading."""
    topic, listens = settings.heartbeat.topic, settings.mqtt.topic
    if topic and topic_matches_sub(re.sub(r"^\$share/[^/]*/", "", listens), topic):
        says = f"lies within '{listens}', which probes publish to (TRAYWARDEN_MQTT__TOPIC); write one outside it"
        yield Problem(file="environment", field="TRAYWARDEN_HEARTBEAT__TOPIC", message=says)


def _unknown(environ: Mapping[str, str]) -> Iterator[Problem]:
    """Names that look like settings and are none, of variables and of secret files."""
    named = environ.get(_SECRETS_DIR)
    if named and not Path(named).is_dir():
        yield Problem(file="environment", field=_SECRETS_DIR, message="no such folder")
    known = known_variables()
    for name in (*environ, *_secret_paths(secrets_folder(environ))):
        if name.upper().startswith(PREFIX) and name.upper() not in known:
            short = name.upper().removeprefix(PREFIX)
            guess = nearest(short, [k.removeprefix(PREFIX).lower() for k in known])
            right = f"did you mean {PREFIX}{guess.upper()}?" if guess else f"known: {', '.join(known)}"
            yield Problem(file="environment", field=name, message=f"not a setting; {right}")


def _said(name: str, problems: Sequence[Problem]) -> bool:
    """Whether a name, or one below it, has been refused: pydantic knows an unknown section by its first part only."""
    return any(problem.field.upper() == name or problem.field.upper().startswith(f"{name}__") for problem in problems)


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]
