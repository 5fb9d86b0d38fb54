"""The board's own certificate, for browsers, made when the board is first opened to other machines.

Owns: <state>/board.pem, key and certificate in one file. Must not: prove who a box is to its peers;
that is the node's own certificate, whose kind of key (Ed25519) browsers do not take.

Nobody signs it but itself, so a browser warns once; a person then compares its fingerprint, which
`syncd check` prints. It is valid for 820 days, because some systems refuse a certificate that is
valid for more than 825, and made anew at a start within its last eight weeks.
"""

import ipaddress
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from syncd.edges.private_file import replace_private
from syncd.edges.secret_files import ExposedError, read_secret
from syncd.errors import ConfigError, raise_if_disk_trouble
from syncd.wire.fingerprints import fingerprint_of

NAME = "board.pem"
VALID_FOR = timedelta(days=820)
BACKDATED_BY = timedelta(days=1)  # a box whose clock is a little behind finds it valid, too
RENEWED_BEFORE = timedelta(weeks=8)
COMMON_NAME_MAX = 64  # RFC 5280, ub-common-name


def load_or_make(state: Path, names: Sequence[str], now_utc_ms: int) -> str:
    """See that <state>/board.pem can be used, made now if not; return its fingerprint.

    names: names and addresses that it is for, the node's own first; if one was added, it is made
    anew. Raises ConfigError if it cannot be written.
    """
    now = datetime.fromtimestamp(now_utc_ms / 1000, UTC).replace(microsecond=0)
    path = state / NAME
    try:
        found = _usable(path, names, now)
        if found is None:
            replace_private(path, _made(names, now))
            found = _usable(path, names, now)
    except OSError as error:
        raise_if_disk_trouble(state, error)
        raise ConfigError(
            f"The board's certificate {path} cannot be written: {error.strerror or error}.",
            remedy="Let the user that runs syncd own the state folder.",
        ) from error
    assert found is not None, "it was made just now"
    return found


def _usable(path: Path, names: Sequence[str], now: datetime) -> str | None:
    """Return the fingerprint of the certificate at path, None if it is not to be used (any more).

    Raises OSError if there is one that cannot be read.
    """
    try:
        pem = read_secret(path)
        key = serialization.load_pem_private_key(pem, password=None)
        certificate = x509.load_pem_x509_certificate(pem)
        kind = x509.SubjectAlternativeName
        known = set(certificate.extensions.get_extension_for_class(kind).value)
    except (FileNotFoundError, ExposedError, ValueError, TypeError, x509.ExtensionNotFound):
        return None
    if not known.issuperset(map(_general, names)):
        return None
    if certificate.public_key() != key.public_key():
        return None
    if (
        not certificate.not_valid_before_utc
        <= now
        < certificate.not_valid_after_utc - RENEWED_BEFORE
    ):
        return None
    return fingerprint_of_pem(pem)


def fingerprint_of_pem(pem: bytes) -> str:
    """Return the fingerprint of the certificate in a PEM file. Raises ValueError."""
    certificate = x509.load_pem_x509_certificate(pem)
    return fingerprint_of(certificate.public_bytes(serialization.Encoding.DER))


def _made(names: Sequence[str], now: datetime) -> bytes:
    key = ec.generate_private_key(ec.SECP256R1())
    common = x509.NameAttribute(NameOID.COMMON_NAME, names[0][:COMMON_NAME_MAX])
    subject = x509.Name([common])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATED_BY)
        .not_valid_after(now - BACKDATED_BY + VALID_FOR)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(
            x509.SubjectAlternativeName([_general(name) for name in names]), critical=False
        )
        .sign(key, hashes.SHA256())
    )
    private = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    return private + certificate.public_bytes(serialization.Encoding.PEM)


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)
