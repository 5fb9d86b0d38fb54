"""The keys by which a webhook is signed, from where a person put its secrets.

Owns: reading them, at every attempt. Must not: keep them, or say what they are.
"""

from pathlib import Path

from syncd.edges.secret_files import BEYOND_GROUP, read_secret
from syncd.notices.signing import key_of, keys_in


def webhook_keys(secret: str, secret_file: Path | None) -> tuple[bytes, ...]:
    """Return the keys by which to sign: of the one secret, or of a file with one a line.

    Raises OSError, ValueError, or ExposedError if others than a user and a group may read the file.
    """
    if secret_file is None:
        return (key_of(secret),)
    return keys_in(read_secret(secret_file, forbidden_mode=BEYOND_GROUP).decode("ascii", "replace"))
