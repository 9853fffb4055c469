"""A certificate authority of the tests' own, and certificates it signs for servers on this machine."""

import datetime
import ipaddress
from dataclasses import dataclass, field
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

LOOPBACK = ("localhost", "127.0.0.1")


@dataclass(frozen=True, slots=True)
class ServerFiles:
    """What a server is started with and what its clients must trust, PEM files all."""

    ca_file: Path
    cert_file: Path
    key_file: Path


@dataclass(frozen=True, slots=True)
class Authority:
    """Signs certificates and keeps all files in one folder. Two authorities do not trust each other."""

    folder: Path
    name: str = "Quillbrook lab authority"
    key: ec.EllipticCurvePrivateKey = field(default_factory=lambda: ec.generate_private_key(ec.SECP256R1()), repr=False)

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        only_signs = x509.KeyUsage(False, False, False, False, False, True, True, False, False)
        builder = (
            _builder(self.name, self.name, self.key, self.key, days=(-1, 30))
            .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .add_extension(only_signs, critical=True)
        )
        self.ca_file.write_bytes(_signed(builder, self.key))

    @property
    def ca_file(self) -> Path:
        return self.folder / "ca.pem"

    def issue(self, names: tuple[str, ...] = LOOPBACK, *, expired: bool = False) -> ServerFiles:
        """A certificate for a server reached by these host names or addresses, the first being its common name."""
        key = ec.generate_private_key(ec.SECP256R1())
        days = (-20, -10) if expired else (-1, 10)
        builder = (
            _builder(names[0], self.name, key, self.key, days)
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(x509.SubjectAlternativeName([_general(name) for name in names]), critical=False)
            .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        )
        stem = f"{names[0]}{'-expired' if expired else ''}"
        files = ServerFiles(self.ca_file, self.folder / f"{stem}.pem", self.folder / f"{stem}.key")
        files.cert_file.write_bytes(_signed(builder, self.key))
        files.key_file.write_bytes(_private(key))
        return files


def _builder(
    subject: str,
    issuer: str,
    key: ec.EllipticCurvePrivateKey,
    signer: ec.EllipticCurvePrivateKey,
    days: tuple[int, int],
) -> x509.CertificateBuilder:
    """What every certificate has; `days` is its validity counted from today. Python 3.13 insists on both key ids."""
    now = datetime.datetime.now(datetime.UTC)
    return (
        x509.CertificateBuilder()
        .subject_name(_called(subject))
        .issuer_name(_called(issuer))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now + datetime.timedelta(days=days[0]))
        .not_valid_after(now + datetime.timedelta(days=days[1]))
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key()), critical=False)
    )


def _called(name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _signed(builder: x509.CertificateBuilder, key: ec.EllipticCurvePrivateKey) -> bytes:
    return builder.sign(key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM)


def _private(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
