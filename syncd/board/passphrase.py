"""The passphrase by which people beyond this box show who they are: only its hash is kept.

Owns: hash and comparison (scrypt, RFC 7914), the text form of the hash, and its file.
Must not: count guesses; throttle.py does.

Text form: $scrypt$ln=15,r=8,p=3$SALT$HASH, salt and hash in base64 without padding (the PHC string
format). The cost is the one that OWASP's Password Storage Cheat Sheet gives for 32 MiB of memory.
"""

import base64
import binascii
import hashlib
import hmac
import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from syncd.edges.private_file import replace_private
from syncd.edges.secret_files import ExposedError, read_secret
from syncd.errors import ConfigError, UsageError, raise_if_disk_trouble
from syncd.ports import Chance

NAME = "board.passphrase"
CHARACTERS_MIN = 12
CHARACTERS_MAX = 1024
SALT_BYTES = 16
DIGEST_BYTES = 32
LOG_N, BLOCK, LANES = 15, 8, 3
MEMORY_BYTES_MAX = 64 << 20  # 128 x 2^15 x 8 are 32 MiB; more is no hash of ours
_FORM = re.compile(
    r"\$scrypt\$ln=(\d{1,2}),r=(\d{1,2}),p=(\d{1,2})\$([A-Za-z0-9+/]{8,88})\$([A-Za-z0-9+/]{22,88})",
    re.ASCII,
)


@dataclass(frozen=True, slots=True)
class PassphraseHash:
    """One scrypt hash: N = 2^log_n, block size, parallelism, and what they gave."""

    log_n: int
    block: int
    lanes: int
    salt: bytes
    digest: bytes

    def __str__(self) -> str:
        cost = f"ln={self.log_n},r={self.block},p={self.lanes}"
        return f"$scrypt${cost}${_base64(self.salt)}${_base64(self.digest)}"

    def matches(self, passphrase: str) -> bool:
        """Tell whether this is the passphrase's hash. Takes a quarter of a second, on purpose."""
        found = _digest(
            passphrase, self.salt, (self.log_n, self.block, self.lanes, len(self.digest))
        )
        return hmac.compare_digest(found, self.digest)


def hashed(passphrase: str, chance: Chance) -> PassphraseHash:
    """Return the hash of a new passphrase. Raises UsageError if it is too short to be one."""
    if not CHARACTERS_MIN <= len(passphrase) <= CHARACTERS_MAX:
        raise UsageError(
            f"A passphrase has {CHARACTERS_MIN} to {CHARACTERS_MAX} characters.",
            remedy="Take four words or more that have nothing to do with each other.",
        )
    salt = chance.random_bytes(SALT_BYTES)
    digest = _digest(passphrase, salt, (LOG_N, BLOCK, LANES, DIGEST_BYTES))
    return PassphraseHash(LOG_N, BLOCK, LANES, salt, digest)


def parse(text: str) -> PassphraseHash:
    """Read the text form. Raises ValueError, also if its cost would be more than we pay."""
    found = _FORM.fullmatch(text)
    if found is None:
        raise ValueError("no scrypt hash")
    log_n, block, lanes = int(found[1]), int(found[2]), int(found[3])
    is_ours = 1 <= log_n <= 20 and 1 <= block <= 32 and 1 <= lanes <= 16
    if not is_ours or 128 * block * (2**log_n + lanes) > MEMORY_BYTES_MAX:
        raise ValueError("a cost that is out of range")
    try:
        return PassphraseHash(log_n, block, lanes, _unbase64(found[4]), _unbase64(found[5]))
    except binascii.Error as error:
        raise ValueError("broken base64") from error


def write(state: Path, passphrase: str, chance: Chance) -> None:
    """Keep the hash in the state folder. Raises UsageError, or ConfigError if it cannot be."""
    text = f"{hashed(passphrase, chance)}\n"
    try:
        state.mkdir(0o700, parents=True, exist_ok=True)
        replace_private(state / NAME, text.encode())
    except OSError as error:
        raise_if_disk_trouble(state, error)
        raise ConfigError(
            f"{state / NAME} cannot be written: {error.strerror or error}.",
            remedy="Run it as the user that runs syncd, such as: sudo -u syncd syncd passphrase",
        ) from error


def read(state: Path) -> PassphraseHash:
    """Return the hash that is kept. Raises ConfigError if there is none that can be used."""
    path = state / NAME
    remedy = "Set one as the user that runs syncd: syncd passphrase"
    try:
        return parse(read_secret(path).decode("ascii", "replace").strip())
    except FileNotFoundError as error:
        problem = "node.board can be reached from other machines, and it has no passphrase."
        remedy += '; or let it listen here only: board = "127.0.0.1:8842"'
        raise ConfigError(problem, remedy=f"{remedy}.") from error
    except (ExposedError, ValueError, OSError) as error:
        said = error.problem if isinstance(error, ExposedError) else f"{path}: {error}."
        problem = f"The board's passphrase cannot be used. {said}"
        raise ConfigError(problem, remedy=f"{remedy}.") from error


def _digest(passphrase: str, salt: bytes, cost: tuple[int, int, int, int]) -> bytes:
    log_n, block, lanes, length = cost
    # Two keyboards may compose an accent in two ways; the person means one (RFC 8265, 4.2).
    text = unicodedata.normalize("NFC", passphrase).encode("utf-8", "surrogatepass")
    return hashlib.scrypt(
        text, salt=salt, n=1 << log_n, r=block, p=lanes, maxmem=MEMORY_BYTES_MAX, dklen=length
    )


def _base64(data: bytes) -> str:
    return base64.b64encode(data).rstrip(b"=").decode()


def _unbase64(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4), validate=True)
