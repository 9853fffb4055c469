"""The systemd units: hardened, watched, bounded, and without a mistake in them."""

import re
import subprocess
from pathlib import Path

import pytest
from pydantic import SecretStr

from collector.config.settings import Settings
from tests.deploy.machine import CHECKOUT, Machine
from tests.services.parts import need

UNITS = CHECKOUT / "deploy" / "systemd"
SERVICES = sorted(path.name for path in UNITS.glob("*.service"))
MOST_EXPOSED = 2.0


def values(unit: str, key: str) -> list[str]:
    return re.findall(rf"(?m)^{key}=(.*)$", (UNITS / unit).read_text(encoding="utf-8"))


def installed_units(installed: Machine, folder: Path) -> list[Path]:
    """As installed, with the paths of this tree, so that the commands they name are there to be found."""
    found = []
    for path in sorted(installed.path("/etc/systemd/system").glob("traywarden*")):
        text = path.read_text(encoding="utf-8").replace("/opt/traywarden", str(installed.path("/opt/traywarden")))
        (folder / path.name).write_text(text, encoding="utf-8")
        found.append(folder / path.name)
    return found


@pytest.mark.parametrize("service", SERVICES)
def test_what_a_service_is_exposed_to_is_little(service: str) -> None:
    """systemd's own measure of exposure is under 2.0 of 10 for each service."""
    analysed = subprocess.run(
        [need("systemd-analyze"), "security", "--offline=true", "--no-pager", str(UNITS / service)],
        capture_output=True,
        text=True,
        check=True,
    )
    found = re.search(rf"Overall exposure level for {re.escape(service)}: ([\d.]+)", analysed.stdout)
    assert found is not None, analysed.stdout
    assert float(found[1]) < MOST_EXPOSED


def test_systemd_finds_no_mistake(installed: Machine, tmp_path: Path) -> None:
    """`systemd-analyze verify` has nothing to say of any unit, as installed."""
    units = installed_units(installed, tmp_path)
    assert len(units) == 7
    done = subprocess.run(
        [need("systemd-analyze"), "verify", "--man=no", *units], capture_output=True, text=True, check=False
    )
    ours = [line for line in done.stderr.splitlines() if "traywarden" in line]
    assert (done.returncode, ours) == (0, [])


def test_systemd_finds_a_mistake_that_is_there(installed: Machine, tmp_path: Path) -> None:
    """The check above would tell a slip of the keyboard."""
    unit = next(path for path in installed_units(installed, tmp_path) if path.name == "traywarden.service")
    unit.write_text(unit.read_text(encoding="utf-8").replace("WatchdogSec=10min", "WatchdogSec=soon"), encoding="utf-8")
    done = subprocess.run(
        [need("systemd-analyze"), "verify", "--man=no", unit], capture_output=True, text=True, check=False
    )
    assert "Failed to parse sec value" in done.stderr


@pytest.mark.parametrize("service", ["traywarden.service", "traywarden-board.service"])
def test_a_service_is_started_again_watched_and_bounded(service: str) -> None:
    """It says itself when it is ready and alive, comes back, and cannot take all memory or processes."""
    assert values(service, "Type") == ["notify"]
    assert values(service, "Restart") == ["always"]
    for key in ("WatchdogSec", "RestartSec", "StartLimitIntervalSec", "MemoryMax", "TasksMax", "TimeoutStartSec"):
        assert len(values(service, key)) == 1, key
    assert values(service, "LoadCredential") == ["TRAYWARDEN:/etc/traywarden/secrets"]
    assert values(service, "User") == ["traywarden"]


def test_the_collector_is_never_given_up() -> None:
    """After too many failures in a row a timer starts it again, once the count of starts has run out."""
    assert values("traywarden.service", "OnFailure") == ["traywarden-again.timer"]
    assert values("traywarden-again.timer", "Unit") == ["traywarden.service"]
    assert values("traywarden-again.timer", "OnActiveSec") == values("traywarden.service", "StartLimitIntervalSec")


def test_each_secret_setting_can_be_a_credential() -> None:
    """systemd names a file NAME of the folder TRAYWARDEN_NAME, which is how the settings call it; so every secret among
    them has a name that set-secret.sh takes, and that stays one level deep."""
    secrets = [
        f"{section}__{name}".upper()
        for section, found in Settings.model_fields.items()
        for name, field in getattr(found.annotation, "model_fields", {}).items()
        if "SecretStr" in str(field.annotation) or SecretStr in getattr(field.annotation, "__args__", ())
    ]
    assert "MQTT__PASSWORD" in secrets
    assert "BOARD__LINK_SECRET" in secrets
    assert [name for name in secrets if not re.fullmatch(r"[A-Z]+__[A-Z_]+", name)] == []


def test_no_service_reaches_more_than_it_needs() -> None:
    """Only the collector and the board have the network; the backup has none."""
    assert values("traywarden-backup.service", "PrivateNetwork") == ["yes"]
    for service in SERVICES:
        assert values(service, "ProtectSystem") == ["strict"]
        assert values(service, "CapabilityBoundingSet") == [""]
        assert values(service, "NoNewPrivileges") == ["yes"]
