"""One look at one roll of a landing, and what follows from it in the journal.

Owns: the memory of a roll between looks, and the order scan, compare, judge, decide, journal.
Must not: wait or watch; when to look again is landing.py's. Blocking: run aside.
"""

import logging
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from syncd.errors import HeldError
from syncd.evidence.gathering import is_evidence_name
from syncd.evidence.verdict import Broken, Complete, NoEvidence, RollView, Verdict, judge
from syncd.journal.rolls import RollRow
from syncd.landing.decide import (
    WAITS_FOR_EVIDENCE,
    Decision,
    Held,
    Stillness,
    Terms,
    Verified,
    Wait,
    decide,
    decide_settled,
    find_change,
    settled_inventory,
    still_since,
)
from syncd.landing.ledger import Ledger
from syncd.landing.resting import is_placeholder, needs_source
from syncd.landing.scan import (
    FoundRoll,
    RollScan,
    ScanFailed,
    SeenFile,
    are_as_marked,
    scan_roll,
)
from syncd.landing.vigil import Vigil
from syncd.limits import (
    MANIFEST_BYTES_MAX,
    MARKED_S_MIN,
    MARKS_MAX,
    RESCAN_S,
    SCAN_FAILURES_MAX,
    SELF_CURE_RETRY_S,
)
from syncd.ports import Clock, Folder
from syncd.rights import let_read
from syncd.roll.inventory import FileEntry, FileKind, Inventory, Trust
from syncd.roll.names import check_names, check_top, shown
from syncd.roll.stages import HeldCode

log = logging.getLogger(__name__)

NAMED_IN_NOTE_MAX = 3


@dataclass
class Roll:
    """What the landing remembers of one roll folder.

    source: its absolute path, as the journal keeps it.
    placeholder: its id while it is only arriving; None when it is not shown as that.
    known_ids: ids of the verified rolls that came from this folder, newest first.
    judged: the signature that verdict and unsafe belong to.
    due_s: monotonic time of the next look; None: when something is heard.
    is_told: its history says that it waits for evidence.
    opening: in which opening of the landing it was seen, on the landing's own file system; 0: none.
    vigil: when it is looked at again while it is held.
    stamp: that of the last scan.
    marks: those of the last scan, if the roll waits for evidence that can only come under a name
        that is not there yet. marked_s: when its folders were first found so.
    """

    found: FoundRoll
    source: str
    placeholder: str | None = None
    known_ids: list[str] = field(default_factory=list)
    still: Stillness | None = None
    judged: bytes | None = None
    verdict: Verdict | None = None
    unsafe: HeldError | None = None
    due_s: float | None = None
    ended_s: float = 0.0
    cost_s: float = 0.0
    failures: int = 0
    absences: int = 0
    is_told: bool = False
    opening: int = 0
    vigil: Vigil | None = None
    stamp: int | None = None
    marks: Mapping[str, tuple[int, ...]] | None = None
    marked_s: float = 0.0


class Examiner:
    """Looks at rolls for one landing. Not safe for two looks at the same time.

    user: as Disk.user() says.
    """

    def __init__(self, ledger: Ledger, clock: Clock, terms: Terms, user: str) -> None:
        self._user = user
        self._ledger = ledger
        self._clock = clock
        self.terms = terms

    def look(self, folder: Folder, roll: Roll) -> None:
        """Scan one roll, do what follows, and set when it is due again."""
        started_s = self._clock.monotonic_s()
        roll.due_s = started_s  # if the journal fails, this look is still owed
        try:
            scan = scan_roll(folder, roll.found.path)
            ended_s = self._clock.monotonic_s()
            roll.still = still_since(roll.still, scan.signature, ended_s)
            roll.due_s = self._follow_up(folder, roll, scan, started_s)
            roll.failures, roll.stamp = 0, scan.stamp
            self._mark(roll, scan, started_s)
        except ScanFailed as failure:
            self._note_failure(roll, failure)
        roll.ended_s = self._clock.monotonic_s()
        roll.cost_s = roll.ended_s - started_s
        if roll.due_s is not None:
            roll.due_s = max(roll.due_s, roll.ended_s)

    def waits_as_before(self, folder: Folder, roll: Roll) -> bool:
        """Tell, without a walk, whether a roll waits for its evidence as it did.

        Its folders tell: marked twice with time in between, none had a name come, go or change.
        Within one tick of the file system's clock one could have, and not show.
        """
        if roll.marks is None or roll.ended_s - roll.marked_s < MARKED_S_MIN:
            return False
        return are_as_marked(folder, roll.marks)

    def _mark(self, roll: Roll, scan: RollScan, started_s: float) -> None:
        is_waiting = isinstance(roll.verdict, NoEvidence) and roll.unsafe is None
        if not is_waiting or self.terms.trust is Trust.SETTLED or _may_be_told(scan):
            roll.marks = None
        elif roll.marks != scan.marks:
            roll.marks, roll.marked_s = scan.marks, started_s

    def _follow_up(
        self, folder: Folder, roll: Roll, scan: RollScan, started_s: float
    ) -> float | None:
        """Do what a scan asks for; return when to look again without being asked."""
        is_written = roll.stamp not in (None, scan.stamp)
        changes = self._find_changes(roll, scan.files, is_written=is_written)
        if changes is None:
            return None
        self._judge(folder, roll, scan)
        if roll.known_ids and isinstance(roll.verdict, Complete):
            # A history may say to leave files out, and a list may name what we take for none.
            files = roll.verdict.inventory.files
            changes = self._find_changes(roll, files, is_written=is_written)
            if changes is None:
                return None
        decision = self._decide(roll, scan, started_s)
        self._act(roll, scan, decision)
        if isinstance(decision, Verified):
            changes = self._still_changed(changes, decision.inventory, roll)
        self._hold_changed(roll, changes, decision)
        return decision.until_s if isinstance(decision, Wait) else None

    def _find_changes(
        self, roll: Roll, files: Iterable[SeenFile | FileEntry], *, is_written: bool
    ) -> dict[str, str] | None:
        """Compare a folder with the rolls that were verified in it.

        is_written: something in it was written, or put there, since the last look.
        Returns None if it still is one of them, else the first path changed, by id, for each that
        has yet to be read from here.
        """
        changes: dict[str, str] = {}
        for row in filter(None, map(self._ledger.row, roll.known_ids)):
            inventory = self._ledger.inventory(row.roll_id)
            change = find_change(inventory, files, may_shrink=not needs_source(row))
            if change is None and row.same_as is None:
                self._ledger.release_source(row.roll_id, roll.source, roll.found.called)
                if is_written:
                    self._ledger.read_again(row.roll_id, roll.source)
                for other in roll.known_ids:
                    if other != row.roll_id:
                        self._ledger.rest(other, inventory, roll.source)
                return None
            if change is not None and needs_source(row):
                changes[row.roll_id] = shown(change)
        return changes

    def _still_changed(
        self, changes: dict[str, str], found: Inventory, roll: Roll
    ) -> dict[str, str]:
        """Leave out rolls whose frozen files are all there: taken anew, or evidence was added."""
        evidence = {e.path for e in found.files if e.kind is FileKind.EVIDENCE}
        left: dict[str, str] = {}
        for roll_id, path in changes.items():
            frozen = self._ledger.inventory(roll_id)
            known = {entry.path for entry in frozen.files}
            kept = (e for e in found.files if e.path in known or e.path not in evidence)
            change = find_change(frozen, kept, may_shrink=False)
            if change is None:
                self._ledger.release_source(roll_id, roll.source, roll.found.called)
            else:
                left[roll_id] = path
        return left

    def _judge(self, folder: Folder, roll: Roll, scan: RollScan) -> None:
        if roll.judged != scan.signature or roll.verdict is None:
            roll.unsafe = _find_unsafe(roll.found, scan)
            roll.verdict = NoEvidence() if roll.unsafe else _judge(folder, roll.found, scan)
            roll.judged = scan.signature

    def _decide(self, roll: Roll, scan: RollScan, started_s: float) -> Decision:
        assert roll.still is not None, "a scan comes first"
        assert roll.verdict is not None, "so does judging"
        since_s, is_settled = roll.still.since_s, self.terms.trust is Trust.SETTLED
        if isinstance(roll.verdict, NoEvidence) and is_settled and roll.unsafe is None:
            inventory = settled_inventory(roll.found.day, roll.found.name, scan)
            return decide_settled(inventory, since_s, started_s, self.terms)
        return decide(roll.verdict, roll.unsafe, since_s, started_s, self.terms)

    def _act(self, roll: Roll, scan: RollScan, decision: Decision) -> None:
        match decision:
            case Wait():
                if not roll.known_ids:
                    self._show(roll)
                if roll.placeholder is not None and decision.doubt is None:
                    self._ledger.release(roll.placeholder)
                if decision.why == WAITS_FOR_EVIDENCE:
                    self._say_waiting(roll, decision.why)
            case Held():
                # A verified roll that changed is held itself; one that landed is not touched.
                if not self._is_unfinished(roll):
                    self._ledger.hold(self._show(roll), decision)
            case Verified(inventory):
                self._verify(roll, inventory, _left_out(scan))

    def _say_waiting(self, roll: Roll, why: str) -> None:
        """Say once what an arriving roll waits for; not while its files are still being written."""
        if roll.placeholder is None or roll.is_told or roll.still is None:
            return
        if self._clock.monotonic_s() - roll.still.since_s >= self.terms.settle_s:
            self._ledger.note_once(roll.placeholder, why)
            roll.is_told = True

    def _verify(self, roll: Roll, inventory: Inventory, note: str) -> None:
        # Others also rest for one that is known: what was verified while it was changed can never
        # arrive.
        others = [each for each in roll.known_ids if each != inventory.roll_id]
        is_new = self._ledger.verify(inventory, roll.source, note, others=others)
        roll.placeholder = None
        # The journal has the inventory now; kept here, it would stay as long as the folder does.
        roll.judged = roll.verdict = None
        if is_new:
            log.info("%s/%s is verified: %s", inventory.day, inventory.name, inventory.roll_id)
        if inventory.roll_id not in roll.known_ids:
            roll.known_ids.insert(0, inventory.roll_id)

    def _hold_changed(self, roll: Roll, changes: dict[str, str], decision: Decision) -> None:
        """Hold what changed since it was verified; not if that may be about to be verified anew."""
        if isinstance(decision, Wait) and decision.doubt is None and decision.until_s is not None:
            return
        for roll_id, path in changes.items():
            is_settling = isinstance(decision, Wait) and decision.until_s is not None
            if is_settling and self._is_evidence(roll_id, path):
                continue  # a list that is being written again may be anything meanwhile
            if isinstance(decision, Verified) and decision.inventory.roll_id != roll_id:
                # The same media under other digests: what is there now is handed over instead.
                self._ledger.rest(roll_id, decision.inventory, roll.source, is_there=False)
                continue
            self._ledger.hold_source(roll_id, _changed(path), roll.source)

    def _is_evidence(self, roll_id: str, path: str) -> bool:
        """Tell whether a path that changed is a list or part of a history, as far as it is known.

        What else may have changed is met by the lanes, or when this is decided on again.
        """
        files = self._ledger.inventory(roll_id).files
        return any(shown(e.path) == path and e.kind is FileKind.EVIDENCE for e in files)

    def _show(self, roll: Roll) -> str:
        if roll.placeholder is None:
            roll.placeholder = self._ledger.arrive(roll.found, roll.source)
        return roll.placeholder

    def _is_unfinished(self, roll: Roll) -> bool:
        rows = map(self._ledger.row, roll.known_ids)
        return any(row is not None and needs_source(row) for row in rows)

    def _note_failure(self, roll: Roll, failure: ScanFailed) -> None:
        """Unknown is not empty: what was known stays, and the look is repeated."""
        roll.failures += 1
        again = 2.0 ** max(0, min(roll.failures, 30) - SCAN_FAILURES_MAX)
        wait_s = min(SELF_CURE_RETRY_S * again, RESCAN_S)
        roll.due_s = self._clock.monotonic_s() + wait_s
        if roll.failures < SCAN_FAILURES_MAX:
            return
        held = unreadable(shown(str(failure)), "See that it can be read")
        if failure.is_forbidden:
            why = f"{shown(failure.path)} may not be read by {self._user}, as which syncd runs"
            held = Held(held.code, f"{why}: {failure.why}.", let_read(self._user), None)
        inner = failure.path.removeprefix(f"{roll.found.path}/")
        if inner != failure.path:
            held = replace(held, path=shown(inner))
        if not roll.known_ids:
            self._ledger.hold(self._show(roll), held)
        for roll_id in roll.known_ids:
            self._ledger.hold_source(roll_id, held, roll.source)

    def lose(self, roll: Roll, why: str) -> None:
        """Hold what is still to be read from a folder that is not there (any more)."""
        held = unreadable(why, "Connect or mount it again")
        for roll_id in roll.known_ids:
            self._ledger.hold_source(roll_id, held, roll.source)

    def forget(self, roll: Roll, *, is_sure: bool) -> None:
        """Take leave of a folder that the landing lacks. is_sure: see Ledger.miss()."""
        if roll.placeholder is not None:
            self._ledger.forget(roll.placeholder)
        for roll_id in roll.known_ids:
            self._ledger.miss(roll_id, roll.source, is_sure=is_sure)

    def held(self) -> dict[str, str]:
        """Return why each folder's rolls are held that may be cured there, by source path."""
        return self._ledger.held_by_source()

    def recorded(self, sources: Iterable[str] | None = None) -> dict[str, list[RollRow]]:
        """Return what the journal has of these folders, or of all of any landing, by source."""
        return self._ledger.by_source(sources)

    def is_waited_for(self, roll: Roll) -> bool:
        """Tell whether a folder is still needed here: it arrives, or is not handed over yet."""
        return roll.placeholder is not None or self._is_unfinished(roll)

    def recall(self, found: FoundRoll, source: str, rows: list[RollRow]) -> Roll:
        """Begin to remember a folder, with what the journal knows of it."""
        roll = Roll(found, source)
        roll.known_ids = [row.roll_id for row in rows if not is_placeholder(row)]
        roll.placeholder = next((row.roll_id for row in rows if is_placeholder(row)), None)
        if not rows or roll.placeholder or self._is_unfinished(roll):
            roll.due_s = self._clock.monotonic_s()
        return roll


def _may_be_told(scan: RollScan) -> bool:
    """Tell whether evidence may come without a new name: in a file that is there already."""
    paths = [file.path for file in (*scan.files, *scan.beside)]
    return len(scan.marks) > MARKS_MAX or any(is_evidence_name(path) for path in paths)


def unreadable(why: str, remedy: str) -> Held:
    """Say that a source cannot be read; cures itself."""
    remedy = f"{remedy}; the roll goes on by itself."
    return Held(HeldCode.SOURCE_UNREADABLE, f"{why}.", remedy, None)


def _judge(folder: Folder, found: FoundRoll, scan: RollScan) -> Verdict:
    parent = found.path.rpartition("/")[0]

    def read_whole(path: str) -> bytes:
        try:
            return folder.read_file(path, bytes_max=MANIFEST_BYTES_MAX)
        except OSError as error:
            raise ScanFailed(path, error) from error

    def read(path: str) -> bytes:
        return read_whole(f"{found.path}/{path}")

    def read_beside(name: str) -> bytes:
        return read_whole(f"{parent}/{name}")

    view = RollView(
        day=found.day,
        name=found.name,
        files=scan.files,
        folders=scan.folders,
        dropped=scan.dropped,
        dropped_files=scan.dropped_files,
        beside=scan.beside,
        read=read,
        read_beside=read_beside,
    )
    try:
        return judge(view)
    except ScanFailed:
        raise
    except Exception as error:
        # Evidence is a stranger's input: our mistake in reading it holds this roll, not the others.
        log.exception("the evidence of %s could not be judged", found.path)
        return Broken(
            code=HeldCode.EVIDENCE_MISMATCH,
            message=f"The evidence could not be judged ({type(error).__name__}).",
            remedy="Report this with the manifest and the log; write the evidence anew.",
            path=None,
        )


def _find_unsafe(found: FoundRoll, scan: RollScan) -> HeldError | None:
    top = f"{found.day}/{found.name}" if found.day else found.name
    paths = (file.path for file in scan.files)
    problems = check_top(found.day, found.name) or check_names(
        paths, folders=scan.folders, below=top
    )
    if not problems:
        return None
    first, more = problems[0], len(problems) - 1
    text = f"{first.problem} {more} more names are unsafe, too." if more else first.problem
    return HeldError(HeldCode.NAME_UNSAFE, text, remedy=first.remedy, path=shown(first.path))


def _changed(path: str) -> Held:
    return Held(
        HeldCode.SOURCE_CHANGED,
        f"{path} is not what it was when the roll was found verified.",
        "Put it back as it was, and the roll goes on by itself; or bring the evidence up to date, "
        "and the roll is handed over as it is then.",
        path,
    )


def _left_out(scan: RollScan) -> str:
    """Name the links and devices that do not travel, for the roll's history."""
    if not scan.others:
        return ""
    named = ", ".join(shown(path) for path in scan.others[:NAMED_IN_NOTE_MAX])
    more = len(scan.others) - NAMED_IN_NOTE_MAX
    return f"warning: not sent, as no regular file: {named}" + (
        f", and {more} more" if more > 0 else ""
    )
