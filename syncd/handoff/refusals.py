"""What paired peers asked for and were not allowed, or sent that is not as it should be.

Owns: that each such thing is told, and never without a limit: one event an hour and one line in the
log now and then, however often it is tried, and for an hour in `syncd check`. Must not: refuse
anything; it hears of it.
Safe from any thread; note() blocks on the journal at most a few times an hour for each peer.
"""

import logging
import threading
from collections.abc import Iterator
from dataclasses import dataclass

from syncd.counted import counted
from syncd.errors import UnfitError
from syncd.journal import notices
from syncd.journal.journal import Journal, JournalError
from syncd.limits import (
    REFUSAL_LENGTH_MAX,
    REFUSAL_TOLD_S,
    REFUSALS_PER_PEER_MAX,
    REFUSED_PEERS_MAX,
)
from syncd.ports import Clock
from syncd.repeats import Repeats

log = logging.getLogger(__name__)

KIND = "refused"
NAMED_MAX = 5


@dataclass(slots=True)
class _Refused:
    problem: str
    remedy: str
    told_s: float
    times: int = 1


class Refusals:
    """What was refused within the last hour: by peer, by what was asked, and by why not."""

    def __init__(self, journal: Journal, clock: Clock) -> None:
        self._journal = journal
        self._clock = clock
        self._lock = threading.Lock()
        self._repeats = Repeats(log, clock)
        self._refused: dict[tuple[str, str, str], _Refused] = {}

    def note(self, peer: str, asked: str, error: UnfitError) -> None:
        """Take note of a refusal. asked: what kind of thing, from a short list of ours."""
        key = (peer, asked, error.code)
        problem = _said(peer, error)
        with self._lock:
            self._forget_old()
            known = self._refused.get(key)
            if known is not None:
                known.times += 1
                known.problem, known.remedy = problem, error.remedy
                self._refused[key] = self._refused.pop(key)  # the newest one last
                self._repeats.trouble(" ".join(key), f"Refused: {problem} {error.remedy}")
                return
            if not self._has_room(peer):
                return
            self._refused[key] = _Refused(problem, error.remedy, self._clock.monotonic_s())
            self._repeats.trouble(" ".join(key), f"Refused: {problem} {error.remedy}")
        try:
            self._write(peer, asked, problem, error)
        except JournalError as failure:
            log.warning("That %s was refused something cannot be written down: %s", peer, failure)
            with self._lock:
                self._refused.pop(key, None)  # so that the next one is

    def is_known(self, peer: str, asked: str, error: UnfitError) -> bool:
        """Tell whether this was noted within the hour, so that note() will not write."""
        with self._lock:
            self._forget_old()
            return (peer, asked, error.code) in self._refused or not self._has_room(peer)

    def told(self) -> dict[str, str]:
        """Say what was refused to each peer within the hour: a line for each, then what to do."""
        with self._lock:
            self._forget_old()
            found = list(self._refused.items())
        peers = list(dict.fromkeys(peer for (peer, _, _), _ in found))
        return {
            peer: "\n".join(_lines([each for (name, _, _), each in found if name == peer]))
            for peer in peers
        }

    def _has_room(self, peer: str) -> bool:
        peers = {name for name, _, _ in self._refused}
        if peer not in peers and len(peers) >= REFUSED_PEERS_MAX:
            return False
        return sum(name == peer for name, _, _ in self._refused) < REFUSALS_PER_PEER_MAX

    def _forget_old(self) -> None:
        since_s = self._clock.monotonic_s() - REFUSAL_TOLD_S
        old = [key for key, refused in self._refused.items() if refused.told_s < since_s]
        for key in old:
            del self._refused[key]

    def _write(self, peer: str, asked: str, problem: str, error: UnfitError) -> None:
        data = {"peer": peer, "asked": asked, "code": error.code, "remedy": error.remedy}
        now = self._clock.utc_ms()
        with self._journal.write() as db:
            notices.add(db, None, KIND, now_utc_ms=now, note=problem, data=data)


def _said(peer: str, error: UnfitError) -> str:
    """Return what happened, with the peer's name, at a length that a peer cannot choose."""
    problem = error.problem
    if len(problem) > REFUSAL_LENGTH_MAX:
        problem = problem[: REFUSAL_LENGTH_MAX - 1] + "…"
    return problem if problem.startswith(f"{peer} ") else f"From {peer}: {problem}"


def _lines(found: list[_Refused]) -> Iterator[str]:
    """Yield the newest refusals of one peer, a line each, and what to do about them, each once."""
    named = found[-NAMED_MAX:]
    for each in named:
        yield f"{each.problem} ({counted(each.times, 'time')})"
    if len(found) > len(named):
        yield f"And {len(found) - len(named)} more."
    yield from dict.fromkeys(each.remedy for each in named)
