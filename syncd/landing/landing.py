"""The service that watches over one landing.

Owns: when the landing is listed, when a roll is looked at, and what happens when its root is lost.
Must not: believe an event (it is a hint to look), or an empty listing of a root that failed.
"""

import logging
import threading
from collections import Counter
from collections.abc import Callable

from syncd.bell import Bell
from syncd.errors import SyncdError
from syncd.journal.journal import Journal
from syncd.landing.decide import Terms
from syncd.landing.examine import Examiner, Roll
from syncd.landing.file_systems import is_silent
from syncd.landing.ledger import Ledger, PlaceFor
from syncd.landing.scan import FoundRoll, ScanFailed, find_rolls
from syncd.landing.vigil import begun, looked
from syncd.limits import (
    HELD_LOOK_S,
    NETWORK_QUIET_S,
    RECHECK_S,
    RESCAN_S,
    SELF_CURE_RETRY_S,
    SETTLE_S_DEFAULT,
)
from syncd.ports import Clock, Disk, Folder
from syncd.roll.inventory import Trust
from syncd.roll.names import shown

log = logging.getLogger(__name__)

# A folder is forgotten when this many complete listings in a row lack it.
ABSENCES_MAX = 2
# Looking at one busy roll may take a third of the time.
PAUSE_PER_COST = 2.0


class Landing:
    """Brings the rolls of one folder into the journal until cancelled.

    root: absolute path; it may be absent, now or later.
    pattern: one shell pattern per folder level; the last is the roll, the one above it the day.
    """

    def __init__(
        self,
        *,
        root: str,
        pattern: str = "*/*",
        trust: Trust = Trust.EVIDENCE,
        settle_s: float = SETTLE_S_DEFAULT,
        clock: Clock,
        disk: Disk,
        journal: Journal,
        place_for: PlaceFor,
        route: str = "",
    ) -> None:
        self.root = root.rstrip("/") or "/"
        self._pattern = pattern
        self._levels = pattern.count("/") + 1
        self._clock = clock
        self._disk = disk
        self._terms = Terms(trust, settle_s)
        ledger = Ledger(journal, clock, place_for, route)
        self._examiner = Examiner(ledger, clock, self._terms, disk.user())
        self._bell = Bell()
        self._folder: Folder | None = None
        self._identity: tuple[int, int] | None = None
        self._is_newly_opened = True
        self._opening = 0
        self._rolls: dict[str, Roll] = {}
        self._list_due_s = 0.0
        self._held_due_s = 0.0
        self._problem = ""
        self._trouble = ""
        self._is_recalled = False
        self._working = threading.Lock()
        self._has_ended = False
        # Hints come from other threads.
        self._hints_lock = threading.Lock()
        self._touched: set[str] = set()
        self._look_again = True

    # Hints, from any thread

    def touched(self, path: str) -> None:
        """Something changed at path, relative to the root."""
        parts = path.split("/", self._levels)
        with self._hints_lock:
            self._touched.add("/".join(parts[: self._levels]))
        self._bell.ring()

    def look_again(self) -> None:
        """Anything may have changed: list the rolls, look at those that are not verified."""
        with self._hints_lock:
            self._look_again = True
        self._bell.ring()

    def problems(self) -> list[str]:
        """Return what people should know about this landing, one sentence each."""
        return [problem for problem in (self._problem, self._trouble) if problem]

    # The loop

    async def run(self) -> None:
        """Watch over the landing until cancelled. A lost root and a full journal are waited out."""
        try:
            while True:
                try:
                    await self._disk.aside(self._work, self._turn)
                    await self._look_at_due()
                    self._trouble = self._told(self._trouble, "")
                except SyncdError as error:
                    self._trouble = self._told(self._trouble, str(error))
                    self._list_due_s = 0.0
                    await self._clock.sleep(SELF_CURE_RETRY_S)
                await self._bell.wait(self._pause_s())
        finally:
            self._end()

    def _turn(self) -> None:
        if not self._is_recalled:
            self._recall()
        self._take_hints()
        if self._clock.monotonic_s() >= self._list_due_s:
            self._list()
        if self._clock.monotonic_s() >= self._held_due_s:
            self._watch_over_held()

    def _take_hints(self) -> None:
        with self._hints_lock:
            touched, self._touched = self._touched, set()
            look_again, self._look_again = self._look_again, False
        now_s = self._clock.monotonic_s()
        if look_again:
            self._list_due_s = now_s
            for roll in self._rolls.values():
                if not roll.known_ids or roll.placeholder is not None:
                    _make_due(roll, now_s)
        for path in touched:
            self._take_hint(path, now_s)

    def _take_hint(self, path: str, now_s: float) -> None:
        roll = self._rolls.get(path)
        if roll is not None:
            _make_due(roll, now_s)
            return
        # A folder that came or went, or a list beside the rolls of a day.
        self._list_due_s = now_s
        day = path.rpartition("/")[0]
        for other in self._rolls.values():
            if other.found.path.rpartition("/")[0] == day and not other.known_ids:
                _make_due(other, now_s)

    async def _look_at_due(self) -> None:
        now_s = self._clock.monotonic_s()
        due = [r for r in self._rolls.values() if r.due_s is not None and r.due_s <= now_s]
        # After a start all are due: a new roll waits for one walk of a known one, not for them all.
        for roll in sorted(due, key=lambda roll: (bool(roll.known_ids), roll.due_s or 0.0)):
            await self._disk.aside(self._work, self._look, roll)
            if roll.known_ids:
                return

    def _look(self, roll: Roll) -> None:
        if self._folder is None or not self._folder.is_still_at_its_path():
            self._list_due_s = 0.0
            return
        self._examiner.look(self._folder, roll)
        if roll.failures:
            self._list_due_s = 0.0  # perhaps it has gone

    def _watch_over_held(self) -> None:
        """Have rolls looked at that wait for something on the landing; it may give no event."""
        now_s = self._clock.monotonic_s()
        self._held_due_s = now_s + HELD_LOOK_S
        why = self._examiner.held()
        for roll in self._rolls.values():
            roll.vigil = begun(roll.vigil, why.get(roll.source), now_s)
            if roll.vigil is not None and now_s >= roll.vigil.due_s and not roll.absences:
                roll.vigil = looked(roll.vigil, now_s, roll.cost_s)
                _make_due(roll, now_s)

    def _pause_s(self) -> float:
        due = [roll.due_s for roll in self._rolls.values() if roll.due_s is not None]
        return max(0.0, min([*due, self._list_due_s, self._held_due_s]) - self._clock.monotonic_s())

    # The folder is closed by whoever uses it last: a cancelled loop, or the look it left behind

    def _work(self, work: Callable[..., None], *args: Roll) -> None:
        with self._working:
            if not self._has_ended:
                work(*args)
        if self._has_ended:
            self._end()

    def _end(self) -> None:
        self._has_ended = True
        if not self._working.acquire(blocking=False):
            return  # a look is on its way; it ends this when it is done
        try:
            if self._folder is not None:
                self._folder.close()
                self._folder = None
        finally:
            self._working.release()

    # Which rolls are there

    def _recall(self) -> None:
        """Take up what was known before the start, so that what is gone by now is missed."""
        prefix = shown(self.root.rstrip("/") + "/")
        for source, rows in self._examiner.recorded().items():
            if source.startswith(prefix):
                path = source[len(prefix) :]
                found = FoundRoll(rows[0].day, rows[0].name, path)
                self._rolls[path] = self._examiner.recall(found, source, rows)
        self._is_recalled = True

    def _list(self) -> None:
        self._list_due_s = self._clock.monotonic_s() + RESCAN_S
        try:
            folder = self._open_root()
            found = {roll.path: roll for roll in find_rolls(folder, self._pattern)}
        except OSError as error:
            self._lose_root(error.strerror or str(error))
            return
        except ScanFailed as failure:
            # One day that cannot be listed leaves all of them unknown until it can.
            self._note_problem(f"{self.root}: {shown(str(failure))}. See that it can be read.")
            self._list_due_s = self._clock.monotonic_s() + SELF_CURE_RETRY_S
            return
        identity = folder.identity()
        if self._is_bare_mount_point(identity, found):
            self._lose_root("another, empty folder is at its path")
            return
        self._identity = identity
        self._note_problem("")
        self._compare(found)
        for path, new in found.items():
            is_at_home = (
                new.mark[0] == identity[0]
            )  # else it is a disk of its own, and may come off
            self._rolls[path].opening = self._opening if is_at_home else 0

    def _open_root(self) -> Folder:
        if self._folder is not None and not self._folder.is_still_at_its_path():
            self._folder.close()
            self._folder = None
        if self._folder is None:
            self._folder = self._disk.open_folder(self.root)
            self._is_newly_opened = True
            self._opening += 1
            quiet_s = NETWORK_QUIET_S if is_silent(self._folder.file_system()) else 0.0
            self._examiner.terms = Terms(self._terms.trust, self._terms.settle_s, quiet_s)
        return self._folder

    def _is_bare_mount_point(self, identity: tuple[int, int], found: dict[str, FoundRoll]) -> bool:
        if found or self._identity in (None, identity):
            return False
        return any(self._examiner.is_waited_for(roll) for roll in self._rolls.values())

    def _compare(self, found: dict[str, FoundRoll]) -> None:
        now_s = self._clock.monotonic_s()
        root = self.root.rstrip("/")
        sources = {path: shown(f"{root}/{path}") for path in found.keys() - self._rolls.keys()}
        recorded = self._examiner.recorded(sources.values()) if sources else {}
        for path, new in found.items():
            roll = self._rolls.get(path)
            if roll is None:
                rows = recorded.get(sources[path], [])
                self._rolls[path] = self._examiner.recall(new, sources[path], rows)
                _make_due(self._rolls[path], now_s)
            elif self._may_be_other(roll, new, now_s):
                roll.absences, roll.found = 0, new
                _make_due(roll, now_s)
        self._is_newly_opened = False
        self._miss([path for path in self._rolls if path not in found])

    def _may_be_other(self, roll: Roll, new: FoundRoll, now_s: float) -> bool:
        """Tell whether a folder may hold something else than when it was looked at last.

        Events alone do not tell: a disk is swapped while nobody watches, with the same names on it.
        """
        is_same_folder = roll.found.mark == new.mark and not self._is_newly_opened
        if roll.absences or not is_same_folder:
            return True
        if now_s - roll.ended_s >= RECHECK_S:
            return True
        if roll.known_ids and roll.placeholder is None:
            return False
        assert self._folder is not None, "it has just been listed"
        return not self._examiner.waits_as_before(self._folder, roll)

    def _miss(self, paths: list[str]) -> None:
        """Take note of folders that a listing lacks; after a start they may be ten thousand."""
        sources = Counter(roll.source for roll in self._rolls.values()) if paths else Counter()
        gone_ids: set[str] = set()
        try:
            for path in paths:
                roll = self._rolls[path]
                roll.absences += 1
                roll.due_s = None
                if roll.absences < ABSENCES_MAX:
                    self._list_due_s = self._clock.monotonic_s() + SELF_CURE_RETRY_S
                    continue
                # A name that is no UTF-8 is recalled in its readable form, and found by its own.
                if sources[roll.source] == 1:
                    gone_ids.update(roll.known_ids)
                    # While the landing is open, no other disk can be at its path unnoticed.
                    self._examiner.forget(roll, is_sure=roll.opening == self._opening)
                sources[roll.source] -= 1
                del self._rolls[path]
        finally:  # if the journal fails, what is left is forgotten after the next listing
            self._look_for_others(gone_ids)

    def _look_for_others(self, gone_ids: set[str]) -> None:
        """Have other folders looked at that hold what one held which is gone, or was renamed."""
        for roll in self._rolls.values() if gone_ids else ():
            if not roll.absences and not gone_ids.isdisjoint(roll.known_ids):
                _make_due(roll, self._clock.monotonic_s())

    def _lose_root(self, why: str) -> None:
        """Hold what was to be read from here; nothing is forgotten."""
        self._list_due_s = self._clock.monotonic_s() + SELF_CURE_RETRY_S
        lost = f"The landing {self.root} is not there: {why}"
        self._note_problem(f"{lost}. Connect or mount it again.")
        for roll in self._rolls.values():
            roll.due_s = None
            roll.absences = 1  # so that it is looked at when the root is back
            self._examiner.lose(roll, lost)

    def _note_problem(self, problem: str) -> None:
        self._problem = self._told(self._problem, problem)

    def _told(self, before: str, problem: str) -> str:
        """Log a problem that is new, or over; return it."""
        if problem != before:
            log.warning("%s", problem or f"{self.root} is well again")
        return problem


def _make_due(roll: Roll, now_s: float) -> None:
    """Have a roll looked at: at once if it was quiet, else when its last look is paid for."""
    due_s = max(now_s, roll.ended_s + PAUSE_PER_COST * roll.cost_s)
    roll.due_s = due_s if roll.due_s is None else min(roll.due_s, due_s)
