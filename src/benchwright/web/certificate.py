"""The certificate of the door for phones: made on this machine, by nobody else, for its own addresses."""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from .private_file import write_private

LIFE = timedelta(days=397)
"""From its first to its last moment; browsers trust none for longer than 398 days."""
EARLIER = timedelta(days=1)
"""It is good from a day ago on, for phones whose clock is slow."""
RENEW = timedelta(days=30)
"""Time left at which a new one is made."""
_ALWAYS = ("localhost", "127.0.0.1", "::1")


@dataclass(frozen=True)
class Certificate:
    """A certificate and its key, in files.

    Attributes
    ----------
    file, key_file : Path
    fingerprint : str
        SHA-256, in groups of four digits.
    made : bool
        Whether it was made just now: phones then ask once more.
    """

    file: Path
    key_file: Path
    fingerprint: str
    made: bool


def certificate(folder: Path, hosts: Sequence[str], now: datetime | None = None) -> Certificate:
    """The certificate in a folder; made if there is none that is good for these hosts for a while yet.

    Parameters
    ----------
    folder : Path
    hosts : sequence of str
        Addresses and names that phones come by.
    now : datetime, optional

    Raises
    ------
    OSError
        It cannot be written.
    """
    now = now or datetime.now(UTC)
    wanted = frozenset((*hosts, *_ALWAYS))
    file, key_file = folder / "lan-certificate.pem", folder / "lan-key.pem"
    kept = _kept(file, key_file)
    if kept is not None and _good(kept, wanted, now):
        key_file.chmod(0o600)
        return Certificate(file, key_file, fingerprint(kept), made=False)
    key = ec.generate_private_key(ec.SECP256R1())
    fresh = _make(key, wanted, now)
    write_private(
        key_file,
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        ),
    )
    write_private(file, fresh.public_bytes(serialization.Encoding.PEM))
    return Certificate(file, key_file, fingerprint(fresh), made=True)


def fingerprint(made: x509.Certificate) -> str:
    """What a person compares: the SHA-256 of a certificate, in groups of four digits."""
    digits = made.fingerprint(hashes.SHA256()).hex().upper()
    return " ".join(digits[n : n + 4] for n in range(0, len(digits), 4))


def _kept(file: Path, key_file: Path) -> x509.Certificate | None:
    """The certificate in the files, if it is whole and goes with the key."""
    with suppress(OSError, ValueError, TypeError):
        kept = x509.load_pem_x509_certificate(file.read_bytes())
        key = serialization.load_pem_private_key(key_file.read_bytes(), None)
        if kept.public_key() == key.public_key():
            return kept
    return None


def _good(kept: x509.Certificate, wanted: frozenset[str], now: datetime) -> bool:
    with suppress(x509.ExtensionNotFound, ValueError):
        names = kept.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        said = {*names.get_values_for_type(x509.DNSName)}
        said |= {str(address) for address in names.get_values_for_type(x509.IPAddress)}
        return said == wanted and kept.not_valid_before_utc <= now < kept.not_valid_after_utc - RENEW
    return False


def _make(key: ec.EllipticCurvePrivateKey, hosts: frozenset[str], now: datetime) -> x509.Certificate:
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Benchwright on this network")])
    start = now.replace(microsecond=0) - EARLIER
    usage = x509.KeyUsage(
        digital_signature=True, content_commitment=False, key_encipherment=False, data_encipherment=False,
        key_agreement=False, key_cert_sign=False, crl_sign=False, encipher_only=False, decipher_only=False,
    )  # fmt: skip
    return (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(start)
        .not_valid_after(start + LIFE - timedelta(seconds=1))  # both ends count
        .add_extension(x509.SubjectAlternativeName([_name(host) for host in sorted(hosts)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )


def _name(host: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(host))
    except ValueError:
        return x509.DNSName(host)
