"""Which codes this box has tried to pair by, and how often: whoever is asked gets one guess a try.

Owns: the counting, within bounded memory. A code is kept as a digest under a salt of this start, so
that it stands in no memory by itself. Must not: read a clock; times are passed in.
"""

import hmac
from collections.abc import Callable, Sequence
from hashlib import sha256

from syncd.wire.pairing import PairingError
from syncd.wire.pairing_code import TRIES

REMEMBERED_S = 3600.0  # a box shows a code for five minutes; nobody has a reason to type it later
CODES_MAX = 64  # only whoever may ask this box's board types codes
_SALT_BYTES = 16


class TypedCodes:
    """Counts the tries of each code that was typed here, by what use() is told.

    earlier_until_s: until when the tries of before this start count, for any code.
    """

    def __init__(
        self, random_bytes: Callable[[int], bytes], earlier_until_s: Sequence[float] = ()
    ) -> None:
        self._earlier_until_s = tuple(earlier_until_s)
        self._salt = random_bytes(_SALT_BYTES)
        self._tries: dict[bytes, tuple[int, float]] = {}

    def check(self, code: str, now_s: float) -> None:
        """Raise PairingError if a code was tried so often that it must not be tried again."""
        since_s = now_s - REMEMBERED_S
        self._tries = {key: tried for key, tried in self._tries.items() if tried[1] > since_s}
        if self._tries_of(code) >= TRIES:
            raise PairingError(
                f"This code was tried {TRIES} times, and nobody has proved to know it: it is not "
                "tried again.",
                remedy="Run `syncd pair` on the other box, for a new code. If that one is wrong, "
                "too, somebody may sit between the two boxes: join them by one cable.",
            )
        if not self.tries_left(code, now_s):
            wait_s = max(self._earlier_until_s) - now_s
            raise PairingError(
                f"Codes were tried {TRIES} times in vain, also before syncd was started anew here. "
                "Which ones is kept nowhere, so none is tried now.",
                remedy=f"Wait {wait_s:.0f} s, and run `syncd pair` on the other box, for a new "
                "code.",
            )

    def tries_left(self, code: str, now_s: float) -> int:
        """Return how often this box would try the code now."""
        earlier = sum(until_s > now_s for until_s in self._earlier_until_s)
        return max(0, TRIES - earlier - self._tries_of(code))

    def _tries_of(self, code: str) -> int:
        return self._tries.get(self._key(code), (0, 0.0))[0]

    def use(self, code: str, now_s: float) -> None:
        """Count a try, before anything is sent that a guess can be compared with.

        Raises PairingError, as check() does.
        """
        self.check(code, now_s)
        key = self._key(code)
        tries = self._tries.pop(key, (0, 0.0))[0]
        while len(self._tries) >= CODES_MAX:
            del self._tries[next(iter(self._tries))]  # the one that was tried longest ago
        self._tries[key] = tries + 1, now_s

    def _key(self, code: str) -> bytes:
        return hmac.new(self._salt, code.encode(), sha256).digest()
