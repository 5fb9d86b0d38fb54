"""What failed TLS handshakes leave behind, and having it collected.

Owns: when to look for it. Must not: know why a handshake failed.

asyncio leaves cycles of each, with a buffer of 256 KiB, and the interpreter looks for cycles seldom
here (cli/service.py). One look takes 20 ms, more with a large roll; of one port two a second are
due at most, as its porch lets in no more.
"""

import gc

COLLECT_EVERY = 128


class Leftovers:
    """Of one port. On the event loop only."""

    def __init__(self) -> None:
        self._failed = 0

    def more(self) -> None:
        """Count one handshake that failed; at every so many, collect what they left."""
        self._failed += 1
        if self._failed % COLLECT_EVERY == 0:
            gc.collect()
