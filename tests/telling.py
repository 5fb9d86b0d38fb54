"""A daemon that logs all it can, and tells a test its secrets in a file of their own.

Run as `python -m tests.telling run -c …`: it is syncd, but each key that is derived and each random
value that is kept for a secret goes into the file $TELL_SECRETS, one in hex a line.
"""

import logging
import os
import sys

from syncd.edges.chance import SystemChance
from syncd.wire import hkdf

TOLD = os.environ["TELL_SECRETS"]
# What is drawn there is said to others: a greeting's nonce, a storage's and a session's number.
NO_SECRETS = ("wire/bulk_server.py", "storage/marker.py", "handoff/lanes.py")
SECRET_BYTES_MIN = 8


def tell(secret: bytes) -> bytes:
    """Write a secret down."""
    if len(secret) >= SECRET_BYTES_MIN:
        with open(TOLD, "a", encoding="ascii") as file:
            file.write(f"{secret.hex()}\n")
    return secret


def main() -> None:
    """Put ourselves where secrets are made, and be syncd."""
    expand, extract, drawn = hkdf.expand, hkdf.extract, SystemChance.random_bytes

    def random_bytes(self: SystemChance, count: int) -> bytes:
        found = drawn(self, count)
        caller = sys._getframe(1).f_code.co_filename
        return found if caller.endswith(NO_SECRETS) else tell(found)

    def expanded(pseudo_random_key: bytes, info: bytes, count: int) -> bytes:
        return tell(expand(pseudo_random_key, info, count))

    def extracted(salt: bytes, secret: bytes) -> bytes:
        return tell(extract(salt, secret))

    hkdf.expand, hkdf.extract = expanded, extracted
    SystemChance.random_bytes = random_bytes  # type: ignore[method-assign]

    from syncd.cli import service  # noqa: PLC0415 - takes what was put in place above
    from syncd.cli.main import main as syncd  # noqa: PLC0415

    log_to_stderr = service.log_to_stderr

    def log_everything(*, verbose: bool) -> None:
        log_to_stderr(verbose=verbose)
        logging.getLogger().setLevel(logging.DEBUG)

    service.log_to_stderr = log_everything
    syncd()


if __name__ == "__main__":
    main()
