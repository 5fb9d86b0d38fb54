"""This node's key and certificate, made on first use, and the TLS contexts that use them.

Owns: <state>/keys with node.key and node.crt; TLS 1.3 with a certificate on both sides.
Must not: decide who is trusted; that is PeerBook's, by fingerprint.

Why there is an issuer whose key everybody knows
------------------------------------------------
What a person pins is the SHA-256 of a node's certificate, nothing else. The TLS library, though,
completes a handshake with a required client certificate only if that certificate chains up to an
issuer it was given, and all it is given is a fingerprint. So every node's certificate is signed by
one issuer whose private key is derived from the public text below. Anyone can make a certificate
that passes the chain check, on purpose: the chain proves nothing. What a handshake does prove is
that the other side holds the key to the certificate it showed, and that the certificate is within
its dates. Trust comes after it and from the fingerprint alone, compared in constant time, on both
sides, before a byte of a request is sent or parsed.
"""

import hashlib
import logging
import shutil
import ssl
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from syncd.edges.private_file import sync_folder, write_private
from syncd.errors import ConfigError, raise_if_disk_trouble
from syncd.wire.ending import RENEWAL, is_ending
from syncd.wire.fingerprints import device_id, fingerprint_of
from syncd.wire.pairing import ALPN

log = logging.getLogger(__name__)

PUBLIC_ISSUER_TEXT = b"syncd published issuer 1: this key is public and proves nothing"
VALID_FOR = timedelta(days=3653)
# A box whose clock is a little behind must not find a fresh certificate "not yet valid".
BACKDATED_BY = timedelta(days=1)
COMMON_NAME_BYTES_MAX = 64  # RFC 5280, ub-common-name
KEY_FILE, CERTIFICATE_FILE = "node.key", "node.crt"


@dataclass(frozen=True, slots=True)
class Identity:
    """Who this node is to others.

    name: as the config calls it; for display. fingerprint: of the certificate; the identity.
    ends_utc_ms: when the certificate ends.
    """

    name: str
    fingerprint: str
    certificate_path: Path
    key_path: Path
    ends_utc_ms: int

    @classmethod
    def load_or_make(cls, state: Path, name: str, now_utc_ms: int) -> "Identity":
        """Return the identity kept under state, made now if there is none.

        Raises ConfigError if what is there cannot be used.
        """
        keys = state / "keys"
        try:
            if not keys.exists():
                _make(keys, name, _moment(now_utc_ms))
            return _load(keys, name, _moment(now_utc_ms))
        except OSError as error:
            raise_if_disk_trouble(state, error)
            raise ConfigError(
                f"The keys in {keys} cannot be read or made: {error.strerror}.",
                remedy="Let the user that runs syncd own the state folder.",
            ) from error

    @property
    def device_id(self) -> str:
        """The few digits that tell this node from another of the same name."""
        return device_id(self.fingerprint)

    def server_context(self) -> ssl.SSLContext:
        """Return a context for accepting: TLS 1.3, a certificate of the other side required."""
        context = self._context(ssl.PROTOCOL_TLS_SERVER)
        context.set_alpn_protocols([ALPN])
        context.num_tickets = 0  # no resumption: each connection shows its certificate
        return context

    def client_context(self) -> ssl.SSLContext:
        """Return a context for dialling; the fingerprint is the caller's to check."""
        return self._context(ssl.PROTOCOL_TLS_CLIENT)

    def _context(self, side: int) -> ssl.SSLContext:
        context = ssl.SSLContext(side)
        context.minimum_version = ssl.TLSVersion.TLSv1_3
        context.check_hostname = False  # addresses come and go; the fingerprint is the name
        context.verify_mode = ssl.CERT_REQUIRED
        context.load_cert_chain(self.certificate_path, self.key_path)
        context.load_verify_locations(cadata=_pem(public_issuer()).decode())
        return context


def _moment(utc_ms: int) -> datetime:
    return datetime.fromtimestamp(utc_ms / 1000, UTC).replace(microsecond=0)


def _load(keys: Path, name: str, now: datetime) -> Identity:
    key_path, certificate_path = keys / KEY_FILE, keys / CERTIFICATE_FILE
    try:
        key = serialization.load_pem_private_key(key_path.read_bytes(), password=None)
        certificate = x509.load_pem_x509_certificate(certificate_path.read_bytes())
    except ValueError as error:
        raise _unusable(keys, "are damaged") from error
    if certificate.public_key() != key.public_key():
        raise _unusable(keys, "do not belong together")
    if key_path.stat().st_mode & 0o077:
        raise ConfigError(
            f"Other users may read the private key {key_path}.",
            remedy=f"Run: chmod 600 {key_path}",
        )
    _check_dates(keys, certificate, now)
    fingerprint = fingerprint_of(certificate.public_bytes(serialization.Encoding.DER))
    ends_utc_ms = int(certificate.not_valid_after_utc.timestamp() * 1000)
    if is_ending(ends_utc_ms, int(now.timestamp() * 1000)):
        ends = f"{certificate.not_valid_after_utc:%Y-%m-%d}"
        log.warning("The certificate of this box ends on %s. %s", ends, RENEWAL)
    return Identity(name, fingerprint, certificate_path, key_path, ends_utc_ms)


def _check_dates(keys: Path, certificate: x509.Certificate, now: datetime) -> None:
    ends = certificate.not_valid_after_utc
    if now > ends:
        raise _unusable(keys, f"expired on {ends:%Y-%m-%d}, or the clock ({now:%Y-%m-%d}) is wrong")
    starts = certificate.not_valid_before_utc
    if now < starts:
        log.warning(
            "The clock says %s, but our certificate is from %s: set the clock.",
            f"{now:%Y-%m-%d %H:%M}Z",
            f"{starts:%Y-%m-%d %H:%M}Z",
        )


def _unusable(keys: Path, what: str) -> ConfigError:
    return ConfigError(
        f"The key and certificate in {keys} {what}.",
        remedy=f"Check the clock, or remove {keys} and pair this box again.",
    )


def _make(keys: Path, name: str, now: datetime) -> None:
    """Make key and certificate in a folder of their own, then move both into place at once."""
    keys.parent.mkdir(0o700, parents=True, exist_ok=True)
    key = Ed25519PrivateKey.generate()
    private = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    made = Path(tempfile.mkdtemp(prefix=".keys-", dir=keys.parent))  # 0700
    try:
        write_private(made / KEY_FILE, private)
        write_private(made / CERTIFICATE_FILE, _pem(node_certificate(name, key.public_key(), now)))
        sync_folder(made)
        with suppress(FileExistsError):  # another process was first: its keys are as good
            _rename_new(made, keys)
        sync_folder(keys.parent)
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _rename_new(made: Path, keys: Path) -> None:
    try:
        made.rename(keys)
    except OSError:
        if keys.exists():
            raise FileExistsError(keys) from None
        raise


def _pem(certificate: x509.Certificate) -> bytes:
    return certificate.public_bytes(serialization.Encoding.PEM)


def _issuer_key() -> Ed25519PrivateKey:
    return Ed25519PrivateKey.from_private_bytes(hashlib.sha256(PUBLIC_ISSUER_TEXT).digest())


def _issuer_name() -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "syncd published issuer 1")])


@cache
def public_issuer() -> x509.Certificate:
    """Return the issuer's certificate: the same bytes on every node, whenever it is made."""
    key = _issuer_key()
    public = key.public_key()
    return (
        x509.CertificateBuilder()
        .subject_name(_issuer_name())
        .issuer_name(_issuer_name())
        .public_key(public)
        .serial_number(1)
        .not_valid_before(datetime(1970, 1, 1, tzinfo=UTC))
        .not_valid_after(datetime(9999, 12, 31, 23, 59, 59, tzinfo=UTC))  # RFC 5280, 4.1.2.5
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_key_usage(is_issuer=True), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
        .sign(key, None)
    )


def node_certificate(name: str, public: Ed25519PublicKey, now: datetime) -> x509.Certificate:
    """Return a node's certificate, signed by the published issuer."""
    usages = [ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.CLIENT_AUTH]
    common_name = name.encode()[:COMMON_NAME_BYTES_MAX].decode(errors="ignore") or "syncd"
    issuer_public = _issuer_key().public_key()
    return (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common_name)]))
        .issuer_name(_issuer_name())
        .public_key(public)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATED_BY)
        .not_valid_after(now + VALID_FOR)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_key_usage(is_issuer=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage(usages), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(issuer_public), critical=False
        )
        .sign(_issuer_key(), None)
    )


def _key_usage(*, is_issuer: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not is_issuer,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=is_issuer,
        crl_sign=False,
        encipher_only=False,
        decipher_only=False,
    )
