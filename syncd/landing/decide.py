"""What becomes of a roll on the landing: wait, take it as verified, or hold it and say why.

Owns: the rule, as a function of what was seen and for how long nothing changed.
Must not: look at a disk or a clock; the scan, the verdict and the time are passed in.

    names unsafe ............................ held at once
    evidence complete, still for its quiet .. verified
    evidence incomplete, still for settle_s . held for the first thing that is wrong
    evidence broken, still for settle_s ..... held with its code
    no evidence, trust "evidence" ........... waits, for ever
    no evidence, trust "settled" ............ verified after settle_s, hashed by us in sending
"""

from collections.abc import Iterable
from dataclasses import dataclass

from syncd.errors import HeldError
from syncd.evidence.verdict import Broken, Complete, Incomplete, NoEvidence, Verdict
from syncd.landing.scan import RollScan, SeenFile
from syncd.roll.inventory import FileEntry, Inventory, Trust, ordered
from syncd.roll.stages import HeldCode

WAITS_FOR_EVIDENCE = "waits for its evidence: no ASC MHL history or checksum list yet"


@dataclass(frozen=True, slots=True)
class Terms:
    """What a landing asks of a roll.

    settle_s: without any change for this long, what is there counts as all there will be.
    quiet_s_min: evidence must be still for at least this long, whatever its kind.
    """

    trust: Trust
    settle_s: float
    quiet_s_min: float = 0.0


@dataclass(frozen=True, slots=True)
class Stillness:
    """Since when a roll has looked the same: the end of the first scan that saw it so."""

    signature: bytes
    since_s: float


@dataclass(frozen=True, slots=True)
class Held:
    """The roll waits for a person: code, message and remedy as people read them."""

    code: HeldCode
    message: str
    remedy: str
    path: str | None


@dataclass(frozen=True, slots=True)
class Wait:
    """Not yet.

    until_s: look again at this monotonic time even if nothing is heard; None: on a change only.
    doubt: what the roll will be held for if nothing changes; None: nothing is wrong so far.
    """

    until_s: float | None
    why: str
    doubt: Held | None = None


@dataclass(frozen=True, slots=True)
class Verified:
    """The roll is complete and still: this is what will be handed over."""

    inventory: Inventory


Decision = Wait | Verified | Held


def still_since(before: Stillness | None, signature: bytes, ended_s: float) -> Stillness:
    """Carry on with before if the roll looks the same, else begin anew at ended_s."""
    if before is not None and before.signature == signature:
        return before
    return Stillness(signature, ended_s)


def decide(
    verdict: Verdict, unsafe: HeldError | None, since_s: float, now_s: float, terms: Terms
) -> Decision:
    """Decide on a roll that has looked the same since since_s.

    unsafe: what is wrong with its names, if anything.
    now_s: when the last scan began; what it saw first may have changed while it saw the rest.
    """
    if unsafe is not None:
        return Held(unsafe.code, unsafe.problem, unsafe.remedy, unsafe.path)
    match verdict:
        case Complete():
            until_s = since_s + max(verdict.quiet_needed_s, terms.quiet_s_min)
            if now_s >= until_s:
                return Verified(verdict.inventory)
            return Wait(until_s, "complete, and must be still for a moment")
        case Incomplete():
            held = Held(verdict.code, verdict.reason, verdict.remedy, verdict.path)
            return _after_settling(held, since_s + terms.settle_s, now_s)
        case Broken():
            held = Held(verdict.code, verdict.message, verdict.remedy, verdict.path)
            return _after_settling(held, since_s + terms.settle_s, now_s)
        case NoEvidence():
            return Wait(None, WAITS_FOR_EVIDENCE)


def decide_settled(
    inventory: Inventory | None, since_s: float, now_s: float, terms: Terms
) -> Decision:
    """Decide on a roll without evidence on a landing that trusts what has settled."""
    if inventory is None:
        return Wait(None, "no files yet")
    until_s = since_s + max(terms.settle_s, terms.quiet_s_min)
    return Verified(inventory) if now_s >= until_s else Wait(until_s, "settling")


def settled_inventory(day: str, name: str, scan: RollScan) -> Inventory | None:
    """Freeze what a scan saw, without digests; None if there is no file."""
    if not scan.files:
        return None
    files = (FileEntry(file.path, file.size_bytes, file.mtime_ns) for file in scan.files)
    return Inventory(day, name, ordered(files), empty_folders(scan), Trust.SETTLED)


def empty_folders(scan: RollScan) -> tuple[str, ...]:
    """Return the folders with no file anywhere below, sorted."""
    filled: set[str] = set()
    for file in scan.files:
        parent = file.path.rpartition("/")[0]
        while parent and parent not in filled:
            filled.add(parent)
            parent = parent.rpartition("/")[0]
    return tuple(path for path in scan.folders if path not in filled)


def find_change(
    inventory: Inventory, files: Iterable[SeenFile | FileEntry], *, may_shrink: bool
) -> str | None:
    """Return the first path in which files differ from an inventory, or None.

    may_shrink: people clear a landing after the roll has landed; then only what is new or other
    counts, and what is missing does not.
    """
    left = {entry.path: entry for entry in inventory.files}
    changed: list[str] = []
    for file in files:
        entry = left.pop(file.path, None)
        if entry is None or (entry.size_bytes, entry.mtime_ns) != (file.size_bytes, file.mtime_ns):
            changed.append(file.path)
    if not may_shrink:
        changed += left
    return min(changed, default=None)


def _after_settling(held: Held, until_s: float, now_s: float) -> Decision:
    return held if now_s >= until_s else Wait(until_s, held.message, held)
