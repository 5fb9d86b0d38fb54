"""What paired peers asked for and were not allowed: told, and never without a limit.

Owns: that each such thing is one event an hour and one line in the log now and then, however often
it is tried, and that `syncd check` says it for an hour. Must not: refuse anything; it hears of it.
Safe from any thread; note() blocks on the journal at most a few times an hour for each peer.
"""

import logging
import threading
from dataclasses import dataclass

from syncd.journal import notices
from syncd.journal.journal import Journal, JournalError
from syncd.limits import REFUSAL_TOLD_S, REFUSALS_PER_PEER_MAX, REFUSED_PEERS_MAX
from syncd.ports import Clock
from syncd.repeats import Repeats
from syncd.wire.authority import NotAllowedError

log = logging.getLogger(__name__)

KIND = "refused"
NAMED_MAX = 5


@dataclass(slots=True)
class _Refused:
    peer: str
    text: str
    told_s: float
    times: int = 1


class Refusals:
    """What was refused within the last hour, by peer and by what was asked."""

    def __init__(self, journal: Journal, clock: Clock) -> None:
        self._journal = journal
        self._clock = clock
        self._lock = threading.Lock()
        self._repeats = Repeats(log, clock)
        self._refused: dict[tuple[str, str], _Refused] = {}

    def note(self, peer: str, asked: str, error: NotAllowedError) -> None:
        """Take note of a refusal. asked: what kind of thing, from a short list of ours."""
        key = (peer, asked)
        with self._lock:
            self._forget_old()
            known = self._refused.get(key)
            if known is not None:
                known.times += 1
                self._repeats.trouble(f"{peer} {asked}", f"Refused: {error}")
                return
            if not self._has_room(peer):
                return
            self._refused[key] = _Refused(peer, str(error), self._clock.monotonic_s())
            self._repeats.trouble(f"{peer} {asked}", f"Refused: {error}")
        try:
            self._write(peer, asked, error)
        except JournalError as failure:
            log.warning("That %s was refused something cannot be written down: %s", peer, failure)
            with self._lock:
                self._refused.pop(key, None)  # so that the next one is

    def is_known(self, peer: str, asked: str) -> bool:
        """Tell whether this was noted within the hour, so that note() will not write."""
        with self._lock:
            self._forget_old()
            return (peer, asked) in self._refused or not self._has_room(peer)

    def told(self) -> str:
        """Say what was refused within the hour; "" if nothing was."""
        with self._lock:
            self._forget_old()
            found = list(self._refused.values())
        named = " ".join(f"{each.text} ({each.times} times)" for each in found[-NAMED_MAX:])
        more = len(found) - NAMED_MAX
        return f"{named} And {more} more." if more > 0 else named

    def _has_room(self, peer: str) -> bool:
        peers = {name for name, _ in self._refused}
        if peer not in peers and len(peers) >= REFUSED_PEERS_MAX:
            return False
        return sum(name == peer for name, _ in self._refused) < REFUSALS_PER_PEER_MAX

    def _forget_old(self) -> None:
        since_s = self._clock.monotonic_s() - REFUSAL_TOLD_S
        old = [key for key, refused in self._refused.items() if refused.told_s < since_s]
        for key in old:
            del self._refused[key]

    def _write(self, peer: str, asked: str, error: NotAllowedError) -> None:
        data = {"peer": peer, "asked": asked, "code": error.code, "remedy": error.remedy}
        now = self._clock.utc_ms()
        with self._journal.write() as db:
            notices.add(db, None, KIND, now_utc_ms=now, note=error.problem, data=data)
