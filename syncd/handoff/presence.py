"""What the peers of this box are up to: told as events, as checks, and of each roll that waits.

Owns: the words, and that each change is said once. Must not: greet anybody (wire/pulse.py) or end
a lane; it only looks.

A peer that this box dials is known by its pulse, one that dials us by what it asks.
"""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from syncd.errors import PeerRefusedError
from syncd.handoff.callers import Callers
from syncd.journal import notices
from syncd.journal.journal import Journal, JournalError
from syncd.journal.rolls import Origin, RollRow
from syncd.limits import DEAD_AFTER_S, TICK_S
from syncd.ports import Ports
from syncd.repeats import Repeats
from syncd.roll.stages import Stage, is_before
from syncd.wire.pulse import PAIR_REMEDY, Pulse

log = logging.getLogger(__name__)

PEER_ABSENT = "peer-absent"
STORAGE_SLOW = "storage-slow"
PEER_STORAGE = "peer-storage"
_CALLER_REMEDY = "Check that syncd runs there, then the cable; it goes on by itself."
NOT_PAIRED = "not-paired"
_TOLD_S_MAX = 3600.0


@dataclass(frozen=True, slots=True)
class Trouble:
    """What keeps rolls waiting, which are not held: it ends by itself, or by what remedy says.

    key: what it is about; there is one trouble of a key at a time. code: stable, for scripts.
    path: the roll that it is about, if it is about one. over: what is said at its end.
    """

    key: str
    code: str
    message: str
    remedy: str
    peer: str
    path: str = ""
    over: str = ""


class Presence:
    """Looks at all peers until cancelled.

    own_storage_wait_s: for how long one of our lanes has waited for our own storage.
    destination: why nobody takes the rolls of this box, if nobody does.
    offers: what this box cannot take of what others offer, or why it has to wait.
    is_trusted: tells by its name whether a box is a peer of this one.
    """

    def __init__(
        self,
        *,
        pulses: Mapping[str, Pulse],
        callers: Callers,
        own_storage_wait_s: Callable[[], float],
        ports: Ports,
        journal: Journal,
        own_name: str,
        is_trusted: Callable[[str], bool],
        destination: Callable[[], Trouble | None] = lambda: None,
        offers: Callable[[], list[Trouble]] = list,
    ) -> None:
        self._pulses = pulses
        self._callers = callers
        self._own_storage_wait_s = own_storage_wait_s
        self._ports = ports
        self._journal = journal
        self._own_name = own_name
        self._is_trusted = is_trusted
        self._destination = destination
        self._offers = offers
        self._repeats = Repeats(log, ports.clock)
        self._told: dict[str, Trouble] = {}
        self._tries: dict[str, int] = {}
        self._ever_heard: set[str] = set()
        self._began_s = ports.clock.monotonic_s()

    async def run(self) -> None:
        """Tell every change until cancelled."""
        self._began_s = self._ports.clock.monotonic_s()
        while True:
            await self._ports.clock.sleep(TICK_S)
            await self._tell_changes()

    def troubles(self) -> list[Trouble]:
        """Return what is not as it should be, now."""
        found = [self._of_pulse(pulse) for pulse in tuple(self._pulses.values())]
        found += [self._of_caller(name) for name in self._callers.names()]
        wait_s = self._own_storage_wait_s()
        own = _storage_slow(self._own_name, wait_s) if wait_s else None
        return [each for each in (own, *found, self._destination()) if each is not None]

    def peers(self) -> dict[str, Trouble | None]:
        """Return each peer that is dialled, or has called, with its trouble."""
        of_peer: dict[str, Trouble | None] = dict.fromkeys((*self._pulses, *self._callers.names()))
        return of_peer | {each.peer: each for each in self.troubles() if each.peer in of_peer}

    def waits(self, row: RollRow) -> Trouble | None:
        """Return what an unfinished roll waits for, if it is neither held nor paused."""
        if row.held is not None or row.paused or not is_before(row.stage, Stage.READING_BACK):
            return None
        if row.origin is Origin.LANDING:
            unpaired = self._destination()
            if unpaired is not None and row.stage is not Stage.ARRIVING:
                return unpaired
            peers = tuple(self._pulses) if row.stage is not Stage.ARRIVING else ()
        else:
            peers = (self._own_name, *((row.peer,) if row.peer else ()))
        found = next((each for each in self.troubles() if each.peer in peers), None)
        return found or self._no_bringer(row)

    def _no_bringer(self, row: RollRow) -> Trouble | None:
        """Tell of the peer that brings a roll, if it may not, or has not called since the start."""
        peer = row.peer or ""
        if row.origin is not Origin.PEER or not peer:
            return None
        if not self._is_trusted(peer):
            problem = f"{peer}, which brings it, is not paired with this box any more."
            return Trouble(f"peer {peer}", NOT_PAIRED, problem, PAIR_REMEDY, peer)
        if self._is_young():
            return None
        if peer in self._callers.names() or peer in self._pulses:
            return None
        problem = f"{peer}, which brings it, has not called since syncd started here."
        return Trouble(f"peer {peer}", PEER_ABSENT, problem, _CALLER_REMEDY, peer)

    def _is_young(self) -> bool:
        """Tell whether this box has not run for long enough to miss anybody."""
        return self._ports.clock.monotonic_s() - self._began_s <= DEAD_AFTER_S

    async def _tell_changes(self) -> None:
        self._log_first_heard()
        now = {trouble.key: trouble for trouble in (*self.troubles(), *self._offers())}
        for key, trouble in now.items():
            if self._is_another_try(trouble):
                self._repeats.trouble(key, f"{trouble.message} {trouble.remedy}")
            if key not in self._told and await self._write(f"{trouble.code}", trouble):
                self._told[key] = trouble
        for key in self._told.keys() - now.keys():
            trouble = self._told[key]
            self._repeats.well(key, self._over(trouble))
            if await self._write("well-again", trouble):
                del self._told[key]

    def _log_first_heard(self) -> None:
        heard = {name for name, pulse in self._pulses.items() if pulse.is_heard}
        for name in heard - self._ever_heard:
            log.info("%s: connected", name)
        self._ever_heard = (self._ever_heard | heard) & set(self._pulses)

    def _is_another_try(self, trouble: Trouble) -> bool:
        """Tell whether anything has happened since: the tries are counted, not our looks."""
        pulse = self._pulses.get(trouble.peer)
        if pulse is None:
            return trouble.key not in self._told
        before, self._tries[trouble.key] = self._tries.get(trouble.key), pulse.tries
        return before != pulse.tries

    async def _write(self, kind: str, trouble: Trouble) -> bool:
        """Put an event into the outbox; a journal that fails now is asked again."""
        try:
            await self._ports.disk.aside(self._add, kind, trouble)
        except JournalError as error:
            self._repeats.trouble("journal", str(error))
            return False
        return True

    def _add(self, kind: str, trouble: Trouble) -> None:
        is_over = kind == "well-again"
        note = self._over(trouble) if is_over else f"{trouble.message} {trouble.remedy}"
        data = {"peer": trouble.peer, "code": trouble.code, "remedy": trouble.remedy}
        data |= {"path": trouble.path} if trouble.path else {}
        now = self._ports.clock.utc_ms()
        with self._journal.write() as db:
            notices.add(db, None, kind, now_utc_ms=now, note=note, data=data)

    def _over(self, trouble: Trouble) -> str:
        """Say that a trouble is over, and how it ended."""
        if trouble.over:
            return trouble.over
        if trouble.code == NOT_PAIRED:
            return f"{trouble.key}: there is a paired box that takes the rolls."
        if trouble.peer not in (self._own_name, *self._pulses, *self._callers.names()):
            return f"{trouble.peer} is not a peer of this box any more."
        match trouble.code:
            case "peer-absent":
                return f"{trouble.peer} is heard again."
            case "storage-slow":
                return f"The storage of {trouble.peer} writes again."
        return f"{trouble.peer} takes rolls again."

    def _of_pulse(self, pulse: Pulse) -> Trouble | None:
        if not pulse.is_heard:
            is_refused = isinstance(pulse.problem, PeerRefusedError)
            if pulse.problem is None or (self._is_young() and not is_refused):
                return None  # just started: the first greetings are under way, or its address is
            problem, remedy = pulse.problem.problem, pulse.problem.remedy
            return Trouble(f"peer {pulse.peer}", PEER_ABSENT, problem, remedy, pulse.peer)
        wait_s = pulse.storage_wait_s()
        if wait_s:
            return _storage_slow(pulse.peer, wait_s)
        storage = pulse.answer.storage if pulse.answer is not None and pulse.wants_storage else ""
        if storage:
            message = f"{pulse.peer} takes no rolls: {storage}"
            remedy = f"That is to be mended on {pulse.peer}; rolls then go on by themselves."
            return Trouble(f"storage of {pulse.peer}", PEER_STORAGE, message, remedy, pulse.peer)
        return None

    def _of_caller(self, name: str) -> Trouble | None:
        # `syncd check` on a box that we dial asks us something, once, in that box's name.
        if name in self._pulses or self._callers.is_heard(name):
            return None
        return Trouble(
            f"peer {name}",
            PEER_ABSENT,
            f"{name}, which calls this box, has fallen silent.",
            _CALLER_REMEDY,
            name,
        )


def _long(wait_s: float) -> str:
    """Say how long a box waits, as it says itself: beyond an hour the number would tell nothing."""
    return f"{wait_s:.0f} s" if wait_s <= _TOLD_S_MAX else "more than an hour"


def _storage_slow(box: str, wait_s: float) -> Trouble:
    return Trouble(
        f"disk of {box}",
        STORAGE_SLOW,
        f"The storage of {box} has written nothing for {_long(wait_s)}.",
        f"Look at the disks of {box}; it goes on by itself when they answer.",
        box,
    )
