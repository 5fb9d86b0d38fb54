"""Keys made once, kept private, and certificates that only their fingerprint makes trusted."""

import ssl
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import serialization

from syncd.errors import ConfigError
from syncd.wire.fingerprints import device_id, fingerprint_of, is_same, parse_fingerprint
from syncd.wire.identity import Identity, public_issuer

NOW = datetime(2026, 3, 14, 12, tzinfo=UTC)
NOW_UTC_MS = int(NOW.timestamp() * 1000)
YEAR_MS = 365 * 86_400_000
ISSUER_FINGERPRINT = "sha256:157e2474137a7f783e79c7d3637532dc76c61bfff2505e9206c7a5e6580f2dd1"


def certificate_of(identity: Identity) -> x509.Certificate:
    """Read the certificate that identity shows."""
    return x509.load_pem_x509_certificate(identity.certificate_path.read_bytes())


def test_keys_are_made_on_first_use_and_then_kept(tmp_path: Path) -> None:
    """The second start finds the identity of the first, under another display name, too."""
    first = Identity.load_or_make(tmp_path, "offload-1", NOW_UTC_MS)
    second = Identity.load_or_make(tmp_path, "offload-2", NOW_UTC_MS + YEAR_MS)

    assert second.fingerprint == first.fingerprint
    assert second.name == "offload-2"
    assert list(tmp_path.iterdir()) == [tmp_path / "keys"]


def test_the_private_key_is_for_its_owner_only(tmp_path: Path) -> None:
    """Folder 0700, key 0600; nor is what else lies in the state folder for other users."""
    identity = Identity.load_or_make(tmp_path / "state", "offload-1", NOW_UTC_MS)

    assert stat.S_IMODE(identity.key_path.parent.stat().st_mode) == 0o700
    assert stat.S_IMODE((tmp_path / "state").stat().st_mode) == 0o700
    assert stat.S_IMODE(identity.key_path.stat().st_mode) == 0o600


def test_a_key_that_others_may_read_is_refused(tmp_path: Path) -> None:
    """The remedy is the exact command."""
    identity = Identity.load_or_make(tmp_path, "offload-1", NOW_UTC_MS)
    identity.key_path.chmod(0o644)

    with pytest.raises(ConfigError, match=f"chmod 600 {identity.key_path}"):
        Identity.load_or_make(tmp_path, "offload-1", NOW_UTC_MS)


def test_the_fingerprint_is_sha256_of_the_certificate(tmp_path: Path) -> None:
    """It is what any other tool computes: here the standard library's and cryptography's ways."""
    identity = Identity.load_or_make(tmp_path, "offload-1", NOW_UTC_MS)
    der = ssl.PEM_cert_to_DER_cert(identity.certificate_path.read_text())

    assert identity.fingerprint == fingerprint_of(der)
    assert identity.device_id == device_id(identity.fingerprint) == identity.fingerprint[7:13]


def test_a_certificate_is_valid_from_a_day_ago_for_ten_years(tmp_path: Path) -> None:
    """A peer whose clock is a little behind still accepts a fresh certificate."""
    certificate = certificate_of(Identity.load_or_make(tmp_path, "offload-1", NOW_UTC_MS))

    assert certificate.not_valid_before_utc == NOW - timedelta(days=1)
    assert certificate.not_valid_after_utc > NOW + timedelta(days=3650)


def test_an_expired_certificate_says_what_to_do(tmp_path: Path) -> None:
    """After ten years, or with a wrong clock, the error names both causes."""
    Identity.load_or_make(tmp_path, "offload-1", NOW_UTC_MS)

    with pytest.raises(ConfigError, match=r"expired on 2036.*or the clock.*pair this box again"):
        Identity.load_or_make(tmp_path, "offload-1", NOW_UTC_MS + 11 * YEAR_MS)


def test_an_ending_certificate_is_told_eight_weeks_before_and_not_earlier(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """At each start, with the way to a new one; a shoot is over before it ends."""
    ends_utc_ms = Identity.load_or_make(tmp_path, "offload-1", NOW_UTC_MS).ends_utc_ms
    weeks_ms = 7 * 86_400_000
    Identity.load_or_make(tmp_path, "offload-1", ends_utc_ms - 8 * weeks_ms - 2000)
    assert not caplog.text
    Identity.load_or_make(tmp_path, "offload-1", ends_utc_ms - 8 * weeks_ms + 2000)
    assert "ends on 2036-" in caplog.text
    assert "syncd peers forget" in caplog.text


def test_damaged_or_mixed_up_keys_are_refused(tmp_path: Path) -> None:
    """Half a key, or the key of another certificate, is never replaced quietly."""
    one = Identity.load_or_make(tmp_path / "one", "offload-1", NOW_UTC_MS)
    other = Identity.load_or_make(tmp_path / "other", "process-1", NOW_UTC_MS)

    one.certificate_path.write_bytes(other.certificate_path.read_bytes())
    with pytest.raises(ConfigError, match="do not belong together"):
        Identity.load_or_make(tmp_path / "one", "offload-1", NOW_UTC_MS)
    one.key_path.write_text("half a key")
    with pytest.raises(ConfigError, match="damaged"):
        Identity.load_or_make(tmp_path / "one", "offload-1", NOW_UTC_MS)


def test_a_state_folder_that_cannot_be_written_is_a_config_error(tmp_path: Path) -> None:
    """A file where the folder should be is named in the error."""
    (tmp_path / "state").write_text("")

    with pytest.raises(ConfigError, match="state folder"):
        Identity.load_or_make(tmp_path / "state", "offload-1", NOW_UTC_MS)


def test_the_published_issuer_is_the_same_on_every_node() -> None:
    """Its bytes are fixed: a change here would cut every node off from those before it."""
    der = public_issuer().public_bytes(serialization.Encoding.DER)
    public_issuer.cache_clear()

    assert public_issuer().public_bytes(serialization.Encoding.DER) == der
    assert fingerprint_of(der) == ISSUER_FINGERPRINT


def test_any_name_gives_a_certificate(tmp_path: Path) -> None:
    """Long and non-ASCII node names are cut to what a certificate can hold."""
    identity = Identity.load_or_make(tmp_path, "Säl-" + "z" * 200, NOW_UTC_MS)

    assert len(certificate_of(identity).subject.rfc4514_string()) < 80


def test_fingerprints_are_read_as_people_type_them() -> None:
    """Upper case, colons and a missing prefix are the same fingerprint; anything else is none."""
    digits = "9f2c" * 16
    pairs = ":".join(digits[i : i + 2] for i in range(0, 64, 2)).upper()

    assert parse_fingerprint(pairs) == parse_fingerprint(f" sha256:{digits} ") == f"sha256:{digits}"
    assert is_same(f"sha256:{digits}", parse_fingerprint(digits))
    for wrong in ("", "sha256:", digits[:-1], digits + "0", "sha1:" + digits, "g" * 64):
        with pytest.raises(ValueError, match="64 hex digits"):
            parse_fingerprint(wrong)
