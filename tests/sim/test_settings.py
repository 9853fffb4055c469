"""Which broker is used: options before variables before secret files, and secrets never shown."""

from pathlib import Path

import pytest

from sim_sensors import settings
from sim_sensors.settings import BadSetting, Broker


def test_with_nothing_set_it_is_this_machine() -> None:
    """Loopback on the usual port, no login, no TLS; what other programs are set to does not matter."""
    assert settings.broker({"HOME": "/root", "TRAYWARDEN_MQTT__HOST": "a"}) == Broker("127.0.0.1", 1883)


def test_options_win_over_variables() -> None:
    """Each by itself."""
    env = {"SIM_SENSORS_HOST": "a", "SIM_SENSORS_PORT": "1", "SIM_SENSORS_CA_FILE": "a.pem"}
    assert settings.broker(env) == Broker("a", 1, ca_file="a.pem", tls=True)
    assert settings.broker(env, host="b", port=2, ca_file="b.pem") == Broker("b", 2, ca_file="b.pem", tls=True)


@pytest.mark.parametrize(("word", "on"), [("1", True), ("YES", True), ("on", True), ("0", False), ("", False)])
def test_tls_changes_the_usual_port(word: str, on: bool) -> None:
    """8883 with TLS, be it by variable, option or a CA file."""
    assert settings.broker({"SIM_SENSORS_TLS": word}) == Broker(port=8883 if on else 1883, tls=on)
    assert settings.broker({}, tls=True).port == settings.broker({}, ca_file="a.pem").port == 8883


def test_secrets_come_from_files(tmp_path: Path) -> None:
    """Named like the variables in upper or lower case; a variable wins; line ends are no part of a password."""
    (tmp_path / "SIM_SENSORS_USERNAME").write_text("probe\n")
    (tmp_path / "sim_sensors_password").write_text("right-horse\r\n")
    (tmp_path / "other").write_text("not ours")
    (tmp_path / "SIM_SENSORS_HOST").mkdir()
    for name in ("SIM_SENSORS_SECRETS_DIR", "CREDENTIALS_DIRECTORY"):
        found = settings.broker({name: str(tmp_path)})
        assert (found.username, found.password) == ("probe", "right-horse")
    found = settings.broker({"SIM_SENSORS_SECRETS_DIR": str(tmp_path), "SIM_SENSORS_PASSWORD": "other-horse"})
    assert found.password == "other-horse"
    assert "horse" not in repr(found)


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        ("SIM_SENSORS_PASWORD", "horse", "no such setting; did you mean 'SIM_SENSORS_PASSWORD'?"),
        ("SIM_SENSORS_PORT", "70000", "'70000' is not a port; use 1 to 65535"),
        ("SIM_SENSORS_TLS", "maybe", "'maybe' is neither on nor off"),
        ("SIM_SENSORS_SECRETS_DIR", "/nowhere", "/nowhere is not a folder"),
    ],
)
def test_settings_that_make_no_sense(name: str, value: str, told: str) -> None:
    """One line that names the setting; never a secret."""
    with pytest.raises(BadSetting) as refused:
        settings.broker({name: value})
    assert str(refused.value) == f"{name}: {told}"
    assert "horse" not in str(refused.value)


def test_a_secret_that_is_no_text(tmp_path: Path) -> None:
    """Told by its folder, without what stands in it."""
    (tmp_path / "SIM_SENSORS_PASSWORD").write_bytes(b"\xff\xfehorse")
    with pytest.raises(BadSetting, match="a secret cannot be read: not text"):
        settings.broker({"SIM_SENSORS_SECRETS_DIR": str(tmp_path)})
