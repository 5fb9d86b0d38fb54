"""The same trouble over and over, said a few times: when it begins, now and then, when it ends.

Owns: when a loop that tries again may log. Must not: decide whether to try again.
"""

import logging
from dataclasses import dataclass, field

from syncd.ports import Clock

FIRST_REPEAT_S = 60.0
REPEAT_FACTOR = 4  # after 1, 5, 21 minutes, then every hour
REPEAT_CAP_S = 3600.0
KEYS_MAX = 256  # names come from the network, too
TEXTS_MAX = 8  # a trouble that alternates between so many wordings is said in each, once
FORGOTTEN_AFTER_S = 2 * REPEAT_CAP_S


@dataclass(slots=True)
class _Trouble:
    began_s: float
    last_s: float
    next_s: float
    pause_s: float = FIRST_REPEAT_S
    tries: int = 0
    texts: set[str] = field(default_factory=set)


class Repeats:
    """What one loop has logged of its troubles, each known by a key.

    texts_max: in so many wordings each is said at once.
    """

    def __init__(self, log: logging.Logger, clock: Clock, *, texts_max: int = TEXTS_MAX) -> None:
        self._log = log
        self._clock = clock
        self._texts_max = texts_max
        self._troubles: dict[str, _Trouble] = {}

    def trouble(self, key: str, text: str, level: int = logging.WARNING) -> bool:
        """Log text if it is new, or has not been said for long; tell whether it was."""
        now_s = self._clock.monotonic_s()
        trouble = self._of(key, now_s)
        trouble.tries += 1
        trouble.last_s = now_s
        if text not in trouble.texts and len(trouble.texts) < self._texts_max:
            trouble.texts.add(text)
            self._log.log(level, "%s", text)
            return True
        if now_s < trouble.next_s:
            return False
        trouble.pause_s = min(REPEAT_CAP_S, trouble.pause_s * REPEAT_FACTOR)
        trouble.next_s = now_s + trouble.pause_s
        self._log.log(level, "%s (for %s)", text, _span(trouble, now_s))
        return True

    def well(self, key: str, text: str) -> bool:
        """Log that a trouble is over; nothing if there was none. Tell whether there was."""
        trouble = self._troubles.pop(key, None)
        if trouble is None:
            return False
        span = _span(trouble, self._clock.monotonic_s())
        self._log.info("%s (after %s)", text, span)
        return True

    def _of(self, key: str, now_s: float) -> _Trouble:
        known = self._troubles.get(key)
        if known is not None and now_s - known.last_s <= FORGOTTEN_AFTER_S:
            return known
        if key not in self._troubles and len(self._troubles) >= KEYS_MAX:
            del self._troubles[min(self._troubles, key=lambda each: self._troubles[each].last_s)]
        trouble = _Trouble(now_s, now_s, now_s + FIRST_REPEAT_S)
        self._troubles[key] = trouble
        return trouble


def _span(trouble: _Trouble, now_s: float) -> str:
    """Return how long and how often, as people say it."""
    seconds = now_s - trouble.began_s
    span = f"{seconds / 3600:.0f} h"
    if seconds < 90:
        span = f"{seconds:.0f} s"
    elif seconds < 5400:
        span = f"{seconds / 60:.0f} min"
    return f"{span}, {trouble.tries} tries" if trouble.tries > 1 else span
