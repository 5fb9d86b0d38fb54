"""What the landing writes into the journal: arrivals, holds, verified rolls.

Owns: which of the journal's functions are used, and whose holds the landing may lift.
Must not: look at a folder or decide anything. Blocking: run aside.
"""

from collections.abc import Callable, Iterable, Sequence
from functools import partial

from syncd.errors import SAY_GO
from syncd.journal import also, history, leaving, left_out, looks, rolls
from syncd.journal.also import Also
from syncd.journal.journal import Connection, Journal
from syncd.journal.rolls import HeldNote, Origin, RollRow
from syncd.journal.rows import Gone
from syncd.landing.decide import Held
from syncd.landing.resting import (
    CURED_BY_OFFLOADING,
    CURED_ON_THE_LANDING,
    OF_THE_SOURCE,
    needs_source,
    note_once,
    rest,
    revive,
)
from syncd.landing.scan import FoundRoll
from syncd.ports import Clock
from syncd.relapses import Relapses
from syncd.roll.inventory import Inventory
from syncd.roll.names import shown
from syncd.roll.stages import HeldCode, Stage, is_before

# Day, name and time of arrival give rank and needed-by.
PlaceFor = Callable[[str, str, int], tuple[int, int | None]]

# What the storage refuses a roll for until it has another name.
OF_THE_NAME = frozenset({HeldCode.NAME_TAKEN, HeldCode.NAME_UNSAFE})
# Whose folder a person was told to offload anew, or to name otherwise: that it goes is no loss.
TO_BE_REPLACED = frozenset(
    {
        HeldCode.EVIDENCE_MISMATCH,
        HeldCode.FILE_MISSING,
        HeldCode.FILE_UNLISTED,
        HeldCode.SOURCE_CHANGED,
        HeldCode.NAME_UNSAFE,
    }
)


class Ledger:
    """The journal as one landing sees it."""

    def __init__(self, journal: Journal, clock: Clock, place_for: PlaceFor, route: str) -> None:
        self._journal = journal
        self._clock = clock
        self._place_for = place_for
        self._route = route
        self._relapses = Relapses(clock)

    def by_source(self, sources: Iterable[str] | None = None) -> dict[str, list[RollRow]]:
        """Return the rolls that came from these folders of a landing, or from any; newest first.

        Not those that left the lists: what is found of one is taken as new, and turns out to be it.
        """
        with self._journal.read() as db:
            rows = rolls.all_rolls(db) if sources is None else looks.from_sources(db, sources)
        rows = [row for row in rows if row.origin is Origin.LANDING]
        rows = [row for row in rows if row.gone in {None, Gone.MISSED, Gone.AWAITED}]
        found: dict[str, list[RollRow]] = {}
        for row in sorted(rows, key=lambda row: -row.arrived_utc_ms):
            if row.source_path is not None:
                found.setdefault(row.source_path, []).append(row)
        return found

    def held_by_source(self) -> dict[str, str]:
        """Return why each folder's rolls are held that may be cured there, by source path."""
        with self._journal.read() as db:
            rows = rolls.held_for(db, CURED_ON_THE_LANDING, Origin.LANDING)
        why: dict[str, str] = {}
        for row in rows:
            if row.source_path is not None and row.held is not None and row.same_as is None:
                reason = f"{row.roll_id} {row.held.why}"
                why[row.source_path] = why.get(row.source_path, "") + reason
        return why

    def row(self, roll_id: str) -> RollRow | None:
        """Return one roll as it is now."""
        with self._journal.read() as db:
            return rolls.get(db, roll_id)

    def inventory(self, roll_id: str) -> Inventory:
        """Return what a roll was frozen as."""
        with self._journal.read() as db:
            return rolls.load_inventory(db, roll_id)

    def arrive(self, found: FoundRoll, source: str) -> str:
        """Show a roll that is not verified yet; return its id for the time being."""
        now = self._clock.utc_ms()
        rank, needed_by = self._place_for(shown(found.day), shown(found.name), now)
        with self._journal.write() as db:
            return rolls.add_arriving(
                db,
                found.day,
                found.name,
                source_path=source,
                now_utc_ms=now,
                rank=rank,
                needed_by_utc_ms=needed_by,
            )

    def verify(
        self, inventory: Inventory, source: str, note: str, *, others: Sequence[str] = ()
    ) -> bool:
        """Journal a roll as verified; False if it is known already.

        note: what of its folder does not travel, "" if all does.
        others: those that lay in its folder before. They rest for it from the same moment on: an
        offer in between would meet the storage's half of one of them as another roll of its name.
        """
        now = self._clock.utc_ms()
        rank, needed_by = self._place_for(inventory.day, inventory.name, now)
        with self._journal.write() as db:
            is_new = rolls.add_roll(
                db,
                inventory,
                origin=Origin.LANDING,
                peer=None,
                stage=Stage.VERIFIED,
                route=self._route,
                source_path=source,
                rank=rank,
                needed_by_utc_ms=needed_by,
                now_utc_ms=now,
            )
            if is_new and note:
                left_out.note(db, inventory.roll_id, note, now_utc_ms=now)
            if not is_new:
                is_new = revive(db, inventory, source, now)
                _come_back(db, inventory.roll_id, (inventory.day, inventory.name), source, now)
                _adopt(db, inventory, source, now)  # what lies there again may have other times
            for other in others:
                rest(db, other, inventory, source, now)
        return is_new

    def rest(self, older_id: str, newer: Inventory, source: str, *, is_there: bool = True) -> None:
        """Let an unfinished roll rest in favour of what lies in its folder now: see resting.rest().

        Nothing is written if that is not so, which is the ordinary case.
        """
        row = self.row(older_id)
        if row is None or not needs_source(row) or row.source_path != source:
            return
        with self._journal.write() as db:
            rest(db, older_id, newer, source, self._clock.utc_ms(), is_there=is_there)

    def hold(self, roll_id: str, held: Held) -> None:
        """Hold a roll; the same reason again changes nothing."""
        now = self._clock.utc_ms()
        message = f"{held.message} {held.remedy}".strip()
        with self._journal.write() as db:
            rolls.hold(db, roll_id, held.code, message, held.path, now_utc_ms=now)

    def hold_source(self, roll_id: str, held: Held, source: str) -> None:
        """Hold a verified roll for its source, unless it is held for something else already.

        A roll that is read from another place by now is not held for this one.
        """
        row = self.row(roll_id)
        if row is None or not needs_source(row) or row.source_path != source:
            return
        if row.held is None or row.held.code is HeldCode.SOURCE_UNREADABLE is not held.code:
            if row.gone is not None:
                with self._journal.write() as db:
                    leaving.set_gone(db, roll_id, None)
            self.hold(roll_id, held)

    def release(self, roll_id: str) -> None:
        """Lift a hold, if there is one."""
        row = self.row(roll_id)
        if row is None or row.held is None:
            return
        with self._journal.write() as db:
            rolls.release(db, roll_id, now_utc_ms=self._clock.utc_ms())

    def miss(self, roll_id: str, source: str, *, is_sure: bool) -> None:
        """Take note that a roll's folder is not on the landing (any more).

        It goes on from another folder that is known to hold it. Else it leaves the lists, if it was
        to be replaced, nothing of it was sent, and it is certain that the folder is gone; else it
        is held, so that a person knows, and can end it: a good roll that goes before it was handed
        over may be footage that somebody removed by mistake.
        is_sure: the landing is as it was when it had the folder, and no other disk at its path.
        """
        row = self.row(roll_id)
        with self._journal.write() as db:
            also.leave_folder(db, source)
            if row is None or row.gone not in {None, Gone.AWAITED} or not needs_source(row):
                return
            if row.source_path != source:
                return
            now = self._clock.utc_ms()
            place = next((each for each in also.of(db, roll_id) if each.source_path), None)
            if place is not None:
                _go_on_in(db, row, place, now)
            elif is_sure and _was_to_be_replaced(row) and _is_unsent(db, row):
                leaving.leave(db, roll_id, source, now_utc_ms=now)
            elif not (_is_all_there(row) and _is_held_elsewhere(row)):
                leaving.miss(db, roll_id, missed(source, is_sure=is_sure), now_utc_ms=now)

    def release_source(self, roll_id: str, source: str, name: tuple[str, str]) -> None:
        """Lift a hold for the source, which is as it was, in a folder called name (day and roll).

        A roll that is held for another place goes on from here if that cannot be read; what
        changed there is for a person.
        """
        row = self.row(roll_id)
        if row is not None and row.gone is not None:
            with self._journal.write() as db:
                _come_back(db, roll_id, name, source, self._clock.utc_ms())
            return
        if row is None or row.held is None or row.held.code not in OF_THE_SOURCE:
            return
        if row.source_path == source and row.held.code is not HeldCode.SOURCE_UNREADABLE:
            self._go_on_by_itself(row, row.held)
        elif row.source_path == source:
            if not self._is_for_a_file(row, row.held):
                self.release(roll_id)
        elif needs_source(row) and row.held.code is HeldCode.SOURCE_UNREADABLE:
            with self._journal.write() as db:
                _go_on_from(db, roll_id, source, self._clock.utc_ms())

    def read_again(self, roll_id: str, source: str) -> None:
        """Lift a hold for a wrong or missing file: one of its size and time was written there.

        Whether it is the right one shows when it is read, and compared, once more.
        """
        row = self.row(roll_id)
        if row is None or not needs_source(row) or row.source_path != source:
            return
        if row.held is not None and row.held.code in CURED_BY_OFFLOADING - OF_THE_SOURCE:
            self._go_on_by_itself(row, row.held)

    def _is_for_a_file(self, row: RollRow, held: HeldNote) -> bool:
        """Tell whether a roll is held as a file cannot be read: only the hand-off reads those."""
        if held.path is None:
            return False
        with self._journal.read() as db:
            return rolls.has_path(db, row.roll_id, held.path)

    def _go_on_by_itself(self, row: RollRow, held: HeldNote) -> None:
        """Lift a hold whose cause seems to be gone; not at once if it seemed so before."""
        if SAY_GO in held.message:
            return  # what was wrong does not show here (handoff/untouched.py): a person is to look
        if self._relapses.may_go_on(row.roll_id, held.why):
            with self._journal.write() as db:
                rolls.release(db, row.roll_id, now_utc_ms=self._clock.utc_ms())
            self._relapses.goes_on(row.roll_id, held.why)

    def note_once(self, roll_id: str, text: str) -> None:
        """Add a line to a roll's history, unless it is there."""
        with self._journal.write() as db:
            note_once(db, roll_id, text, self._clock.utc_ms())

    def forget(self, placeholder: str) -> None:
        """Take an arriving roll from the lists: its folder is gone."""
        with self._journal.write() as db:
            rolls.remove_roll(db, placeholder)


def _come_back(
    db: Connection, roll_id: str, name: tuple[str, str], source: str, now_utc_ms: int
) -> None:
    """Let a roll go on whose folder was missed, and is there again, perhaps under another name.

    Or one that is handed over again, and was to be looked at before.
    """
    row = rolls.get(db, roll_id)
    if row is None or row.gone is None or not needs_source(row):
        return
    if row.gone is Gone.AWAITED and row.source_path != source:
        return
    text = "its folder is there again" if row.gone is not Gone.AWAITED else "it was looked at anew"
    if row.source_path != source:
        text += f", as {source}"
        if row.gone is Gone.OVER or _is_unsent(db, row):
            rolls.rename(db, roll_id, *name)
        else:
            also.add(db, roll_id, Also(*name, source))
        rolls.set_source_path(db, roll_id, source)
    leaving.come_back(db, row, text, now_utc_ms=now_utc_ms)


def _go_on_in(db: Connection, row: RollRow, place: Also, now_utc_ms: int) -> None:
    """Read a roll from another folder, its own being gone; and call it so if that is no matter."""
    if _is_unsent(db, row):
        rolls.rename(db, row.roll_id, place.day, place.name)
    _go_on_from(db, row.roll_id, place.source_path, now_utc_ms)


def _is_unsent(db: Connection, row: RollRow) -> bool:
    """Tell whether the storage has nothing of a roll, nor of one that lay in its folder before."""
    older = map(partial(rolls.get, db), rolls.replaced_by(db, row.roll_id))
    each = [row, *filter(None, older)]
    return all(is_before(one.stage, Stage.MOVING) and not one.moved_bytes for one in each)


def _was_to_be_replaced(row: RollRow) -> bool:
    return row.held is not None and row.held.code in TO_BE_REPLACED


def _is_all_there(row: RollRow) -> bool:
    return row.moved_bytes >= row.total_bytes


def _is_held_elsewhere(row: RollRow) -> bool:
    """Tell whether a roll is held for what its files on the landing have no part in."""
    return row.held is not None and row.held.code not in CURED_BY_OFFLOADING


def missed(source: str, *, is_sure: bool) -> str:
    """Say that a roll's folder is not there, and what a person can do about it."""
    if is_sure:
        said = f"Its folder {source} is gone from the landing. Put it back, or offload it again"
    else:
        said = (
            f"Its folder {source} is not on the landing. Connect the disk that it is on, put it "
            "back, or offload it again"
        )
    return (
        f"{said}; the roll goes on by itself. If it is not to come any more, `syncd go` the roll "
        "on the box that offloads it: that takes it off the list, and what the storage has of it "
        "stays there."
    )


def _adopt(db: Connection, inventory: Inventory, source: str, now_utc_ms: int) -> None:
    """Take an unfinished roll as it was found just now: other evidence, or another place.

    Other evidence and other times always; another place only if its own cannot be read, or has a
    name that the storage refused.
    """
    roll_id = inventory.roll_id
    row = rolls.get(db, roll_id)
    if row is None:
        return
    if row.source_path != source:
        note_once(db, roll_id, f"the same content lies in {source}, too", now_utc_ms)
        also.add(db, roll_id, Also(inventory.day, inventory.name, source))
    if not needs_source(row):
        return
    if row.source_path == source:
        frozen = rolls.load_inventory(db, roll_id)
        if frozen.files == inventory.files:
            return
        if _without_times(frozen) == _without_times(inventory):
            _put_there(db, row, inventory, "its files were put there again", now_utc_ms)
        else:
            _put_there(db, row, inventory, "its evidence changed and is complete", now_utc_ms)
        return
    if row.held is not None and row.held.code is HeldCode.SOURCE_UNREADABLE:
        _go_on_from(db, roll_id, source, now_utc_ms)
    elif row.held is not None and row.held.code in OF_THE_NAME:
        _go_on_as(db, row, inventory, source, now_utc_ms)


def _go_on_as(
    db: Connection, row: RollRow, inventory: Inventory, source: str, now_utc_ms: int
) -> None:
    """Take the name of another folder with the same content; its own was refused.

    Only of a roll that the storage has nothing of; and each folder's name only once, so that two
    folders, whose names are both taken, do not take turns.
    """
    is_same_name = (row.day, row.name) == (inventory.day, inventory.name)
    text = f"{history.GOES_ON_AS}{inventory.day}/{inventory.name}, from {source}"
    is_tried = any(line.note == text for line in history.read(db, row.roll_id))
    if is_same_name or is_tried or not is_before(row.stage, Stage.MOVING):
        return
    rolls.rename(db, row.roll_id, inventory.day, inventory.name)
    rolls.set_source_path(db, row.roll_id, source)
    rolls.release(db, row.roll_id, now_utc_ms=now_utc_ms)
    rolls.note(db, row.roll_id, text, now_utc_ms=now_utc_ms)


def _go_on_from(db: Connection, roll_id: str, source: str, now_utc_ms: int) -> None:
    """Read a roll from another place that holds the same; its own cannot be read."""
    rolls.set_source_path(db, roll_id, source)
    rolls.release(db, roll_id, now_utc_ms=now_utc_ms)
    rolls.note(db, roll_id, f"goes on from {source}", now_utc_ms=now_utc_ms)


def _put_there(
    db: Connection, row: RollRow, inventory: Inventory, text: str, now_utc_ms: int
) -> None:
    """Go on with files that were put there anew; what they hold is compared when it is read."""
    rolls.replace_files(db, inventory)
    if row.held is not None and row.held.code in CURED_BY_OFFLOADING:
        rolls.release(db, row.roll_id, now_utc_ms=now_utc_ms)
    rolls.note(db, row.roll_id, text, now_utc_ms=now_utc_ms)


def _without_times(inventory: Inventory) -> list[tuple[object, ...]]:
    return [(e.path, e.size_bytes, e.digests, e.kind) for e in inventory.files]
