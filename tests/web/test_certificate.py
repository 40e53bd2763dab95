"""The certificate of the door for phones."""

from __future__ import annotations

import hashlib
import ssl
import stat
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec

from benchwright.web.certificate import RENEW, certificate

HOSTS = ("192.168.1.20", "bench.local")
NOW = datetime(2026, 11, 26, 12, 0, tzinfo=UTC)


def test_it_is_made_for_the_addresses_and_for_a_time_that_browsers_take(tmp_path: Path) -> None:
    """P-256, names and addresses, 397 days or less, for servers, no authority over others."""
    made = certificate(tmp_path, HOSTS, NOW)
    read = x509.load_pem_x509_certificate(made.file.read_bytes())
    key = read.public_key()
    assert isinstance(key, ec.EllipticCurvePublicKey)
    assert key.curve.name == "secp256r1"
    names = read.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert set(names.get_values_for_type(x509.DNSName)) == {"bench.local", "localhost"}
    assert {str(one) for one in names.get_values_for_type(x509.IPAddress)} == {
        "192.168.1.20", "127.0.0.1", "::1",
    }  # fmt: skip
    assert read.not_valid_before_utc < NOW
    # Both ends count: RFC 5280, 4.1.2.5.
    assert read.not_valid_after_utc - read.not_valid_before_utc + timedelta(seconds=1) <= timedelta(days=397)
    assert not read.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    assert made.made


def test_key_and_certificate_are_their_owners_only_and_go_together(tmp_path: Path) -> None:
    """The system's own TLS takes them."""
    made = certificate(tmp_path / "new folder", HOSTS, NOW)
    ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(made.file, made.key_file)
    if sys.platform != "win32":
        assert stat.S_IMODE(made.key_file.stat().st_mode) == 0o600
        assert stat.S_IMODE(made.key_file.parent.stat().st_mode) == 0o700


def test_the_fingerprint_is_that_of_the_certificate_in_groups(tmp_path: Path) -> None:
    """SHA-256 over its DER form, as browsers show it."""
    made = certificate(tmp_path, HOSTS, NOW)
    der = ssl.PEM_cert_to_DER_cert(made.file.read_text(encoding="ascii"))
    assert made.fingerprint.replace(" ", "") == hashlib.sha256(der).hexdigest().upper()
    assert {len(group) for group in made.fingerprint.split()} == {4}


def test_it_is_kept_while_it_is_good(tmp_path: Path) -> None:
    """The order of addresses does not matter; a key that others can read is closed again."""
    first = certificate(tmp_path, HOSTS, NOW)
    first.key_file.chmod(0o644)
    again = certificate(tmp_path, HOSTS[::-1], NOW + timedelta(days=300))
    assert (again.fingerprint, again.made) == (first.fingerprint, False)
    if sys.platform != "win32":
        assert stat.S_IMODE(again.key_file.stat().st_mode) == 0o600


@pytest.mark.parametrize(
    ("hosts", "later"),
    [
        (("192.168.1.21",), timedelta(0)),
        (HOSTS, timedelta(days=396) - RENEW + timedelta(hours=1)),
        (HOSTS, timedelta(days=4000)),
        (HOSTS, -timedelta(days=2)),
    ],
    ids=["another address", "near its end", "long past", "clock set back"],
)
def test_it_is_made_anew_when_it_is_not_good_any_more(
    tmp_path: Path, hosts: tuple[str, ...], later: timedelta
) -> None:
    """For new addresses, near its end, and where the clock says that it is not good yet."""
    first = certificate(tmp_path, HOSTS, NOW)
    again = certificate(tmp_path, hosts, NOW + later)
    assert again.made
    assert again.fingerprint != first.fingerprint


@pytest.mark.parametrize("name", ["lan-certificate.pem", "lan-key.pem"])
@pytest.mark.parametrize("text", ["", "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"])
def test_damaged_files_are_replaced(tmp_path: Path, name: str, text: str) -> None:
    """As when the disk was full."""
    certificate(tmp_path, HOSTS, NOW)
    (tmp_path / name).write_text(text, encoding="ascii")
    again = certificate(tmp_path, HOSTS, NOW)
    assert again.made
    ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(again.file, again.key_file)


def test_a_certificate_with_the_key_of_another_is_replaced(tmp_path: Path) -> None:
    """As after a copy of one file alone."""
    certificate(tmp_path, HOSTS, NOW)
    other = certificate(tmp_path / "other", HOSTS, NOW)
    (tmp_path / "lan-key.pem").write_bytes(other.key_file.read_bytes())
    assert certificate(tmp_path, HOSTS, NOW).made
