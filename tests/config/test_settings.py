"""Settings of the machine: every variable, secret files, slips, and secrets that never show."""

import os
from pathlib import Path

import pytest

from collector.config.home import Home
from collector.config.settings import Settings, known_variables, load_settings
from collector.delivery.servers import chat_addresses_of, mail_server_of
from collector.domain.problems import Refused
from collector.uplink.destination import destination_of
from collector.watch.assemble import broker_of
from tests.services.certificates import Authority

SECRET = "damp-blanket-7"


@pytest.fixture(autouse=True)
def bare(monkeypatch: pytest.MonkeyPatch) -> None:
    """No setting of whoever runs the tests."""
    for name in list(os.environ):
        if name.upper().startswith("TRAYWARDEN_") or name == "CREDENTIALS_DIRECTORY":
            monkeypatch.delenv(name)


def refused() -> list[str]:
    with pytest.raises(Refused) as caught:
        load_settings()
    return [str(problem) for problem in caught.value.problems]


def test_without_any_variable_everything_has_a_sound_default() -> None:
    """A broker on this machine, mail to files, no chat, two years of readings."""
    settings = load_settings()
    assert (settings.mqtt.host, settings.mqtt.port, settings.mqtt.topic) == ("127.0.0.1", 1883, "worms/#")
    assert mail_server_of(settings) is None
    assert chat_addresses_of(settings).urls == ()
    assert settings.journal.keep_days == 730
    assert (settings.board.host, settings.board.port, settings.board.url) == ("127.0.0.1", 8780, "")
    assert settings.board.link_secret is None
    assert (settings.heartbeat.url, settings.heartbeat.topic, settings.heartbeat.every_s) == (None, "", 300)


def test_every_variable_is_read(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Each known variable set to something else than its default changes its setting, and no other is known."""
    ca = str(Authority(tmp_path).issue().ca_file)
    given = {
        "MQTT__HOST": "broker.quillbrook.example",
        "MQTT__PORT": "8883",
        "MQTT__USERNAME": "collector",
        "MQTT__PASSWORD": SECRET,
        "MQTT__TLS": "true",
        "MQTT__CA_FILE": ca,
        "MQTT__CLIENT_ID": "quillbrook-1",
        "MQTT__TOPIC": "school/+/worms/#",
        "MQTT__VERSION": "3.1.1",
        "MQTT__KEEPALIVE_S": "60",
        "MAIL__HOST": "mail.quillbrook.example",
        "MAIL__PORT": "465",
        "MAIL__USERNAME": "traywarden",
        "MAIL__PASSWORD": SECRET,
        "MAIL__SECURITY": "tls",
        "MAIL__SENDER": "worms@quillbrook.example",
        "MAIL__CA_FILE": ca,
        "CHAT__URLS": f"json://localhost/{SECRET}, json://127.0.0.1",
        "JOURNAL__KEEP_DAYS": "365",
        "BOARD__HOST": "::1",
        "BOARD__PORT": "8080",
        "BOARD__URL": "https://worms.quillbrook.example/lab/",
        "BOARD__LINK_SECRET": f"{SECRET}-and-more",
        "HEARTBEAT__URL": f"https://watch.quillbrook.example/{SECRET}",
        "HEARTBEAT__TOPIC": "traywarden/alive",
        "HEARTBEAT__EVERY_S": "60",
        "UPLINK__URL": "http://database.quillbrook.example:8086/",
        "UPLINK__TOKEN": SECRET,
        "UPLINK__ORG": "quillbrook",
        "UPLINK__BUCKET": "worms",
        "UPLINK__SITE": "north",
        "UPLINK__LAB": "lab 1",
        "UPLINK__EVERY_S": "30",
    }
    for name, value in given.items():
        monkeypatch.setenv(f"TRAYWARDEN_{name}", value)
    settings, plain = load_settings(), Settings.model_construct()
    for section in ("mqtt", "mail", "chat", "journal", "board", "heartbeat", "uplink"):
        for field in getattr(settings, section).model_fields_set:
            assert getattr(getattr(settings, section), field) != getattr(getattr(plain, section), field)
    named = {f"TRAYWARDEN_{name}" for name in given} | {"TRAYWARDEN_HOME", "TRAYWARDEN_SECRETS_DIR"}
    assert set(known_variables()) == named
    broker, mail = broker_of(Home(tmp_path), settings), mail_server_of(settings)
    assert mail is not None
    assert (broker.password, mail.password) == (SECRET, SECRET)
    assert (broker.client_id, broker.version, broker.keepalive_s) == ("quillbrook-1", "3.1.1", 60)
    assert (mail.security, mail.sender, mail.ca_file) == ("tls", "worms@quillbrook.example", ca)
    assert chat_addresses_of(settings).urls == (f"json://localhost/{SECRET}", "json://127.0.0.1")
    assert destination_of(settings.uplink).token == SECRET
    assert SECRET not in f"{settings.uplink!r} {destination_of(settings.uplink)!r}"
    assert settings.board.url == "https://worms.quillbrook.example/lab"
    assert (
        SECRET not in f"{settings!r} {settings} {settings.mqtt!r} {broker!r} {mail!r} {chat_addresses_of(settings)!r}"
    )


def test_chat_addresses_may_have_names(monkeypatch: pytest.MonkeyPatch) -> None:
    """A name before '='; an '=' inside an address names nothing; spaces, commas and line ends keep them apart."""
    written = "teacher-phone=json://a/?x=1, json://b/?to=c://d\nclass-4b=jsons://c"
    monkeypatch.setenv("TRAYWARDEN_CHAT__URLS", written)
    chat = load_settings().chat
    assert chat.named() == (
        ("teacher-phone", "json://a/?x=1"),
        ("", "json://b/?to=c://d"),
        ("class-4b", "jsons://c"),
    )
    assert chat.each() == ("json://a/?x=1", "json://b/?to=c://d", "jsons://c")


def test_a_home_has_a_client_id_of_its_own(tmp_path: Path) -> None:
    """Stable for one home, another for the next, and the checkup's is neither."""
    settings = load_settings()
    one, same, other = (broker_of(Home(tmp_path / name), settings).client_id for name in ("a", "a", "b"))
    assert one == same != other
    assert broker_of(Home(tmp_path / "a"), settings, "-checkup").client_id == f"{one}-checkup"


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("MQTT__PORT", SECRET, "valid integer"),
        ("MQTT__PORT", "0", "greater than or equal to 1"),
        ("MQTT__PORT", "65536", "less than or equal to 65535"),
        ("MQTT__HOST", "", "at least 1 character"),
        ("MQTT__VERSION", SECRET, "'5' or '3.1.1'"),
        ("MQTT__TLS", SECRET, "valid boolean"),
        ("MQTT__CLIENT_ID", f"{SECRET} x", "pattern"),
        ("MQTT__KEEPALIVE_S", "1", "greater than or equal to 5"),
        ("MQTT__TOPIC", "", "worms/#"),
        ("MQTT__TOPIC", "worms/#/air", "worms/#"),
        ("MQTT__TOPIC", "worms/a+", "worms/#"),
        ("MQTT__CA_FILE", f"/nowhere/{SECRET}", "cannot be read: No such file"),
        ("MQTT__CA_FILE", __file__, "no certificates in PEM form"),
        ("MAIL__CA_FILE", "/", "the file"),
        ("MAIL__SECURITY", SECRET, "'none', 'starttls' or 'tls'"),
        ("MAIL__PORT", "1e3", "valid integer"),
        ("JOURNAL__KEEP_DAYS", "1", "greater than or equal to 2"),
        ("BOARD__HOST", "", "at least 1 character"),
        ("BOARD__PORT", "70000", "less than or equal to 65535"),
        ("BOARD__URL", f"ftp://{SECRET}", "not a web address"),
        ("BOARD__URL", "worms.quillbrook.example", "not a web address"),
        ("BOARD__URL", f"http://[{SECRET}", "not a web address"),
        ("BOARD__URL", "http://worms.quillbrook.example:0", "not a web address"),
        ("BOARD__URL", f"http://worms.quillbrook.example?{SECRET}", "holds '?' or '#'"),
        ("BOARD__LINK_SECRET", SECRET, "at least 16"),
        ("HEARTBEAT__URL", f"https:///{SECRET}", "not a web address"),
        ("HEARTBEAT__URL", "", "not a web address"),
        ("HEARTBEAT__TOPIC", "traywarden/#", "traywarden/alive"),
        ("HEARTBEAT__EVERY_S", "1", "greater than or equal to 10"),
        ("UPLINK__URL", "database.quillbrook.example", "not a web address"),
        ("UPLINK__SITE", "x" * 101, "at most 100"),
        ("CHAT__URLS", f"json://a b=json://{SECRET} Teacher=json://{SECRET}", "entry 3: a name is lower-case"),
        ("CHAT__URLS", f"=json://{SECRET}", "entry 1: a name is lower-case"),
        ("CHAT__URLS", f"a={SECRET}", "entry 1: after 'name=' comes an address"),
        ("CHAT__URLS", f"a=json://x,b=json://{SECRET},a=json://y", "entry 3: its name is taken by one before it"),
    ],
)
def test_a_wrong_value_is_one_line_that_names_its_variable(
    monkeypatch: pytest.MonkeyPatch, name: str, value: str, says: str
) -> None:
    """The variable and what would be right; what was written is never repeated, it may be a secret in a wrong place."""
    monkeypatch.setenv(f"TRAYWARDEN_{name}", value)
    (line,) = refused()
    assert line.startswith(f"environment TRAYWARDEN_{name}: ")
    assert says in line
    assert SECRET not in line
    assert "\n" not in line


@pytest.mark.parametrize(
    ("name", "nearest"),
    [
        ("TRAYWARDEN_MQTT__HOTS", "TRAYWARDEN_MQTT__HOST"),
        ("TRAYWARDEN_MQTT__PASWORD", "TRAYWARDEN_MQTT__PASSWORD"),
        ("TRAYWARDEN_MALE__SENDER", "TRAYWARDEN_MAIL__SENDER"),
        ("TRAYWARDEN_MQTT_HOST", "TRAYWARDEN_MQTT__HOST"),
        ("traywarden_mqtt__hots", "TRAYWARDEN_MQTT__HOST"),
    ],
)
def test_an_unknown_variable_is_refused_with_the_nearest(
    monkeypatch: pytest.MonkeyPatch, name: str, nearest: str
) -> None:
    """A slip of the keyboard is one line, not silence."""
    monkeypatch.setenv(name, SECRET)
    assert refused() == [f"environment {name}: not a setting; did you mean {nearest}?"]


def test_a_variable_like_none_lists_what_there_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing near: all known names."""
    monkeypatch.setenv("TRAYWARDEN_XYZZY", "1")
    (line,) = refused()
    assert all(name in line for name in known_variables())


@pytest.mark.parametrize("value", [SECRET, "{}", '{"host": "x"}', "["])
def test_a_whole_section_in_one_variable_is_refused(monkeypatch: pytest.MonkeyPatch, value: str) -> None:
    """TRAYWARDEN_MQTT is no setting, whatever it holds."""
    monkeypatch.setenv("TRAYWARDEN_MQTT", value)
    (line,) = refused()
    assert line.startswith("environment TRAYWARDEN_MQTT: not a setting")
    assert SECRET not in line


def test_all_problems_come_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two wrong values and a slip are three lines, in order of their names."""
    for name, value in {"MQTT__PORT": "x", "MAIL__PORT": "0", "MAIL__HOTS": "y"}.items():
        monkeypatch.setenv(f"TRAYWARDEN_{name}", value)
    assert [line.split()[1] for line in refused()] == [
        "TRAYWARDEN_MAIL__HOTS:",
        "TRAYWARDEN_MAIL__PORT:",
        "TRAYWARDEN_MQTT__PORT:",
    ]


# Secret files


@pytest.fixture
def secrets(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    monkeypatch.setenv("TRAYWARDEN_SECRETS_DIR", str(tmp_path))
    return tmp_path


def test_secrets_come_from_files_of_the_same_names(secrets: Path) -> None:
    """Upper or lower case, one value each, the line end not part of it; other files beside them are left alone."""
    (secrets / "TRAYWARDEN_MQTT__PASSWORD").write_text(f"{SECRET}\n")
    (secrets / "traywarden_mail__password").write_text(f" {SECRET} \r\n")
    (secrets / "something-else").write_bytes(b"\xff")
    (secrets / "TRAYWARDEN_FOLDER").mkdir()
    settings = load_settings()
    assert settings.mqtt.password is not None
    assert settings.mail.password is not None
    assert settings.mqtt.password.get_secret_value() == SECRET
    assert settings.mail.password.get_secret_value() == f" {SECRET} "


def test_the_environment_wins_over_a_file(secrets: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The nearer one counts, setting by setting."""
    (secrets / "TRAYWARDEN_MQTT__HOST").write_text("from-file")
    (secrets / "TRAYWARDEN_MQTT__USERNAME").write_text("from-file")
    monkeypatch.setenv("TRAYWARDEN_MQTT__HOST", "from-environment")
    settings = load_settings()
    assert (settings.mqtt.host, settings.mqtt.username) == ("from-environment", "from-file")


def test_the_folder_systemd_hands_over_is_read_too(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """CREDENTIALS_DIRECTORY, where nothing else is named; one that is not there is no problem."""
    (tmp_path / "TRAYWARDEN_MQTT__PASSWORD").write_text(SECRET)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert load_settings().mqtt.password is not None
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path / "gone"))
    assert load_settings().mqtt.password is None


def test_a_secret_file_of_a_wrong_name_is_refused_like_a_variable(secrets: Path) -> None:
    """A slip in a file's name would be a password that is never used."""
    (secrets / "TRAYWARDEN_MAIL__PASWORD").write_text(SECRET)
    assert refused() == ["environment TRAYWARDEN_MAIL__PASWORD: not a setting; did you mean TRAYWARDEN_MAIL__PASSWORD?"]


def test_a_secrets_folder_that_is_not_there_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A named folder must exist."""
    monkeypatch.setenv("TRAYWARDEN_SECRETS_DIR", str(tmp_path / "gone"))
    assert refused() == ["environment TRAYWARDEN_SECRETS_DIR: no such folder"]


def test_a_secret_file_that_is_no_text_is_refused(secrets: Path) -> None:
    """Bytes that are no UTF-8 are one line without them."""
    (secrets / "TRAYWARDEN_MQTT__PASSWORD").write_bytes(b"\xff\xfe")
    assert refused() == ["environment TRAYWARDEN_SECRETS_DIR: holds a file that is not UTF-8 text"]


def test_a_secret_file_that_cannot_be_read_is_refused(secrets: Path) -> None:
    """An error of the disk is one line."""
    (secrets / "TRAYWARDEN_MQTT__PASSWORD").symlink_to("/proc/self/mem")  # reading its start fails for anyone
    assert refused() == ["environment TRAYWARDEN_SECRETS_DIR: cannot be read: Input/output error"]


@pytest.mark.parametrize("listens", ["worms/#", "+/life", "$share/labs/worms/+"])
def test_a_sign_of_life_among_the_probes_is_refused(monkeypatch: pytest.MonkeyPatch, listens: str) -> None:
    """It would come back as a reading; beside them it is taken."""
    monkeypatch.setenv("TRAYWARDEN_MQTT__TOPIC", listens)
    monkeypatch.setenv("TRAYWARDEN_HEARTBEAT__TOPIC", "worms/life")
    (line,) = refused()
    assert "TRAYWARDEN_HEARTBEAT__TOPIC" in line
    assert f"lies within '{listens}'" in line
    monkeypatch.setenv("TRAYWARDEN_HEARTBEAT__TOPIC", "traywarden/alive")
    assert load_settings().heartbeat.topic == "traywarden/alive"


def test_an_uplink_needs_a_bucket(monkeypatch: pytest.MonkeyPatch) -> None:
    """One line that says what is missing; a bucket alone is no uplink."""
    monkeypatch.setenv("TRAYWARDEN_UPLINK__URL", "http://database.quillbrook.example:8086")
    assert refused() == ["environment TRAYWARDEN_UPLINK: the URL needs a bucket; set TRAYWARDEN_UPLINK__BUCKET"]
    monkeypatch.delenv("TRAYWARDEN_UPLINK__URL")
    monkeypatch.setenv("TRAYWARDEN_UPLINK__BUCKET", "worms")
    assert not load_settings().uplink.url
