"""The lab's own authority and the broker's certificate, judged by openssl and by Python's TLS."""

import ssl
import stat
import subprocess
from pathlib import Path

import pytest
from cryptography import x509

from tests.deploy.machine import CHECKOUT
from tests.services.parts import need

FILES = {"ca.key", "ca.pem", "server.key", "server.pem", "names"}


def make(folder: Path, *arguments: str, code: int = 0, path: str = "") -> str:
    need("openssl")
    folder.mkdir(exist_ok=True)
    done = subprocess.run(
        ["bash", CHECKOUT / "deploy/make-certificates.sh", *arguments],
        env={"PATH": f"{path}:/usr/bin:/bin"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    assert done.returncode == code, done.stdout
    return done.stdout


def certificate(path: Path) -> x509.Certificate:
    return x509.load_pem_x509_certificate(path.read_bytes())


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_certificate_is_what_tls_asks_for(tmp_path: Path) -> None:
    """Signed by the authority, for the names given, for servers only; keys for their owner only, nothing else left."""
    made = tmp_path / "made"
    make(made, str(made), "lab.local", "192.0.2.10")
    assert set(contents(made)) == FILES
    found = certificate(made / "server.pem")
    names = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert names.get_values_for_type(x509.DNSName) == ["lab.local"]
    assert [str(one) for one in names.get_values_for_type(x509.IPAddress)] == ["192.0.2.10"]
    usage = found.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert list(usage) == [x509.oid.ExtendedKeyUsageOID.SERVER_AUTH]
    found.verify_directly_issued_by(certificate(made / "ca.pem"))
    ssl.create_default_context(cafile=made / "ca.pem")
    for key in ("ca.key", "server.key"):
        assert stat.S_IMODE((made / key).stat().st_mode) == 0o600
    days = (found.not_valid_after_utc - found.not_valid_before_utc).days
    assert 5 * 365 <= days <= 5 * 366


def test_a_second_run_changes_nothing(tmp_path: Path) -> None:
    """With the same names, or with none."""
    made = tmp_path / "made"
    make(made, str(made), "lab.local")
    before = contents(made)
    assert "nothing to do" in make(made, str(made), "lab.local")
    assert "nothing to do" in make(made, str(made))
    assert contents(made) == before


def test_near_its_end_it_is_renewed_by_the_same_authority(tmp_path: Path) -> None:
    """Probes go on trusting it: the authority stays, the certificate is new, with the names and mode it had."""
    made = tmp_path / "made"
    make(made, str(made), "lab.local", "192.0.2.10")
    (made / "server.key").chmod(0o640)
    before = contents(made)
    assert "DNS:lab.local,IP:192.0.2.10" in make(made, "--within", "2000", str(made))
    after = contents(made)
    assert {name for name in FILES if after[name] != before[name]} == {"server.key", "server.pem"}
    assert stat.S_IMODE((made / "server.key").stat().st_mode) == 0o640
    certificate(made / "server.pem").verify_directly_issued_by(certificate(made / "ca.pem"))


def test_other_names_and_another_authority_make_another_certificate(tmp_path: Path) -> None:
    """A name more, or an authority that was made anew, is seen."""
    made = tmp_path / "made"
    make(made, str(made), "lab.local")
    assert "DNS:worms.local" in make(made, str(made), "lab.local", "worms.local")
    (made / "ca.key").unlink()
    (made / "ca.pem").unlink()
    assert "made the certificate" in make(made, str(made))
    certificate(made / "server.pem").verify_directly_issued_by(certificate(made / "ca.pem"))


@pytest.mark.parametrize("gone", ["ca.key", "ca.pem"])
def test_half_an_authority_is_never_made_whole_by_a_new_one(tmp_path: Path, gone: str) -> None:
    """Every probe trusts the old one: it is said, and nothing is overwritten."""
    made = tmp_path / "made"
    make(made, str(made), "lab.local")
    (made / gone).unlink()
    before = contents(made)
    assert gone in make(made, str(made), code=1)
    assert contents(made) == before


@pytest.mark.parametrize("name", ["lab local", "lab,DNS:other", "$(reboot)", ""])
def test_a_name_that_is_none_is_refused(tmp_path: Path, name: str) -> None:
    """Nothing can be smuggled into the certificate."""
    made = tmp_path / "made"
    assert "is no name or address" in make(made, str(made), name, code=1)
    assert contents(made) == {}


def test_a_clock_that_was_never_set_makes_no_certificate(tmp_path: Path) -> None:
    """On a board that thinks it is 1970 a certificate would have ended before it is used."""
    stopped = tmp_path / "bin"
    stopped.mkdir()
    (stopped / "date").write_text('#!/bin/sh\nexec /bin/date --date=@0 "$@"\n')
    (stopped / "date").chmod(0o755)
    made = tmp_path / "made"
    assert "set it first" in make(made, str(made), "lab.local", code=1, path=str(stopped))
    assert contents(made) == {}


def foreign(tmp_path: Path) -> Path:
    """The files of another lab."""
    make(tmp_path / "other", str(tmp_path / "other"), "lab.local")
    return tmp_path / "other"


@pytest.mark.parametrize("how", ["missing", "foreign", "damaged"])
@pytest.mark.parametrize("name", ["server.key", "server.pem"])
def test_the_brokers_key_and_certificate_are_made_anew_where_they_do_not_fit(
    tmp_path: Path, name: str, how: str
) -> None:
    """The broker would not start with them. What is wrong is said in one line, the authority stays, and then both
    belong together."""
    made, other = tmp_path / "made", foreign(tmp_path)
    make(made, str(made), "lab.local")
    authority = (made / "ca.pem").read_bytes()
    if how == "missing":
        (made / name).unlink()
    else:
        (made / name).write_bytes((other / name).read_bytes() if how == "foreign" else b"nothing\n")
    told = make(made, str(made))
    assert "both are made anew" in told
    assert name in told
    assert (made / "ca.pem").read_bytes() == authority
    assert stat.S_IMODE((made / "server.key").stat().st_mode) == 0o600
    ssl.create_default_context().load_cert_chain(made / "server.pem", made / "server.key")
    certificate(made / "server.pem").verify_directly_issued_by(certificate(made / "ca.pem"))
    assert "nothing to do" in make(made, str(made))


@pytest.mark.parametrize("how", ["foreign", "damaged"])
@pytest.mark.parametrize("name", ["ca.key", "ca.pem"])
def test_an_authority_that_does_not_fit_is_said_and_left_alone(tmp_path: Path, name: str, how: str) -> None:
    """Every probe trusts it, so people decide: one line says what is wrong and both ways out."""
    made, other = tmp_path / "made", foreign(tmp_path)
    make(made, str(made), "lab.local")
    (made / name).write_bytes((other / name).read_bytes() if how == "foreign" else b"nothing\n")
    before = contents(made)
    told = make(made, str(made), code=1)
    assert told.count("\n") == 1
    assert "ca.key does not belong to ca.pem" in told or f"{name} is no certificate" in told
    assert "put the right one back" in told
    assert "run this again, and put the new ca.pem onto each probe" in told
    assert contents(made) == before


def test_a_certificate_for_other_names_is_made_anew(tmp_path: Path) -> None:
    """One that the same authority signed, under names that this broker does not have: probes would refuse it."""
    made, other = tmp_path / "made", tmp_path / "other"
    make(made, str(made), "lab.local", "192.0.2.10", "2001:db8::1")
    assert "nothing to do" in make(made, str(made))
    other.mkdir()
    for name in ("ca.key", "ca.pem"):
        (other / name).write_bytes((made / name).read_bytes())
    make(other, str(other), "worms.local")
    for name in ("server.key", "server.pem"):
        (made / name).write_bytes((other / name).read_bytes())
    assert "server.pem is not for lab.local: both are made anew" in make(made, str(made))
    assert "nothing to do" in make(made, str(made))
