"""The passphrase's hash: right by the published vector, bounded in cost, kept to one user."""

import base64
import stat
import time
from pathlib import Path

import pytest

from syncd.board.passphrase import NAME, hashed, parse, read, write
from syncd.edges.chance import SystemChance
from syncd.errors import ConfigError, UsageError

GOOD = "salt meridian reel twelve"


def test_the_hash_is_scrypt_as_published() -> None:
    """RFC 7914, section 12, third vector: N = 2^14, r = 8, p = 1, 64 bytes."""
    digest = bytes.fromhex(
        "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
        "d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887"
    )
    salt, wanted = (
        base64.b64encode(data).decode().rstrip("=") for data in (b"SodiumChloride", digest)
    )
    kept = parse(f"$scrypt$ln=14,r=8,p=1${salt}${wanted}")
    assert kept.matches("pleaseletmein")
    assert not kept.matches("pleaseletmeout")


def test_a_hash_comes_back_as_it_was_written_and_salts_differ(tmp_path: Path) -> None:
    """Mode 0600, and nothing of the passphrase is in it."""
    write(tmp_path, GOOD, SystemChance())
    text = (tmp_path / NAME).read_text()
    assert GOOD not in text
    assert stat.S_IMODE((tmp_path / NAME).stat().st_mode) == 0o600
    assert str(read(tmp_path)) == text.strip()
    assert read(tmp_path).matches(GOOD)
    assert not read(tmp_path).matches(GOOD + " ")
    assert str(hashed(GOOD, SystemChance())) != text.strip()


def test_one_guess_costs_time() -> None:
    """Far more than comparing texts: that is what the hash is for."""
    kept = hashed(GOOD, SystemChance())
    began_s = time.perf_counter()
    kept.matches("x")
    assert time.perf_counter() - began_s > 0.02


def test_two_ways_to_type_one_accent_are_one_passphrase() -> None:
    """Composed on one keyboard, combined on another (RFC 8265, 4.2)."""
    assert hashed("caf\u00e9 de la gare", SystemChance()).matches("cafe\u0301 de la gare")


@pytest.mark.parametrize("text", ["", "short", "x" * 11, "x" * 1025])
def test_what_is_too_short_is_no_passphrase(tmp_path: Path, text: str) -> None:
    """Refused, and nothing is kept."""
    with pytest.raises(UsageError, match="12 to 1024"):
        write(tmp_path, text, SystemChance())
    assert not (tmp_path / NAME).exists()


@pytest.mark.parametrize(
    "text",
    [
        "",
        GOOD,
        "$scrypt$ln=20,r=8,p=1$c2FsdHNhbHQ$" + "A" * 43,
        "$scrypt$ln=15,r=32,p=16$c2FsdHNhbHQ$" + "A" * 43,
        "$scrypt$ln=0,r=8,p=1$c2FsdHNhbHQ$" + "A" * 43,
        "$scrypt$ln=15,r=8,p=0$c2FsdHNhbHQ$" + "A" * 43,
        "$scrypt$ln=15,r=8,p=1$$",
        "$scrypt$ln=15,r=8,p=1$c2FsdHNhbHQ$" + "A" * 45,
        "$argon2id$v=19$m=65536,t=3,p=4$c2FsdHNhbHQ$" + "A" * 43,
    ],
)
def test_a_file_that_holds_no_hash_of_ours_stops_the_start(tmp_path: Path, text: str) -> None:
    """Also one whose cost would be more memory than we give: it would be paid at every guess."""
    (tmp_path / NAME).write_text(text)
    (tmp_path / NAME).chmod(0o600)
    with pytest.raises(ConfigError, match="cannot be used") as caught:
        read(tmp_path)
    assert "syncd passphrase" in caught.value.remedy


def test_no_file_and_an_open_one_are_told_apart(tmp_path: Path) -> None:
    """The one says how to set a passphrase or stay on loopback, the other that it was exposed."""
    with pytest.raises(ConfigError, match="has no passphrase") as caught:
        read(tmp_path)
    assert "127.0.0.1:8842" in caught.value.remedy
    write(tmp_path, GOOD, SystemChance())
    (tmp_path / NAME).chmod(0o644)
    with pytest.raises(ConfigError, match="Other users may read"):
        read(tmp_path)
