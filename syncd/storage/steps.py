"""The steps of an unfinished roll on the storage, each a plain function that blocks.

Owns: open, prove, repair, seal and publish, as one call each, safe to repeat after a crash.
Must not: decide when a step is due or hold a roll; keeper.py does. Runs aside from the loop.
"""

import logging
import threading
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress

from syncd.errors import HeldError, RollUnknownError
from syncd.journal import parcels, rolls, same
from syncd.journal.journal import Journal
from syncd.journal.parcels import Proof
from syncd.journal.rolls import RollRow
from syncd.ports import Clock
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.parcels import ParcelPlan, to_bitmap
from syncd.roll.stages import HeldCode, Stage, is_before
from syncd.storage.area import Area
from syncd.storage.attesting import Attesting
from syncd.storage.comparing import Comparison, compare_with_published, evidence_there
from syncd.storage.doubts import find_lost, read_back_again
from syncd.storage.intake import ReceivingRolls
from syncd.storage.layout import INCOMING, media_root, stored_path
from syncd.storage.outcomes import record_damage, record_proofs, record_published
from syncd.storage.papers import disown
from syncd.storage.proving import Damage, prove_files
from syncd.storage.publishing import discard_incoming, publish
from syncd.storage.receiving import ReceivingRoll
from syncd.storage.recovery import recall_parcels, recover
from syncd.storage.recutting import recut
from syncd.storage.same import find_same
from syncd.storage.sealing import ChangedMeanwhileError, seal
from syncd.storage.troubles import storage_trouble, why

log = logging.getLogger(__name__)


class Steps:
    """The steps on one storage.

    changed: called when another step may be due. final_stages: what a published roll becomes.
    """

    def __init__(
        self,
        area: Area,
        journal: Journal,
        clock: Clock,
        receiving: ReceivingRolls,
        changed: Callable[[], None],
        *,
        final_stages: Sequence[Stage],
        host_name: str,
    ) -> None:
        self.receiving = receiving
        self._area = area
        self._journal = journal
        self._clock = clock
        self._changed = changed
        self._final_stages = tuple(final_stages)
        self._attesting = Attesting(area, journal, clock, host_name)
        self._opening = threading.Lock()
        # A roll is given up as a whole: never while it is recorded, sealed or published.
        self._giving_up = threading.Lock()

    def lacking(self, roll_id: str) -> bytes:
        """Return the parcels that a roll still lacks, as bits; none once it is published."""
        roll = self.open_known(roll_id)
        if roll is not None:
            return roll.lacking()
        with self._journal.read() as db:
            return to_bitmap((), ParcelPlan(rolls.load_inventory(db, roll_id)).count)

    def open_known(self, roll_id: str) -> ReceivingRoll | None:
        """Take a journalled roll up where it is; None if it is published."""
        roll = self.receiving.get(roll_id)
        if roll is not None:
            return roll
        with self._journal.read() as db:
            row = rolls.get(db, roll_id)
            if row is None:
                raise RollUnknownError(f"No roll has the id {roll_id}.", remedy="Offer it again.")
            if not is_before(row.stage, Stage.LANDED):
                return None
            inventory = rolls.load_inventory(db, roll_id)
        return self.open(inventory)

    def open(self, inventory: Inventory) -> ReceivingRoll | None:
        """Take a roll up where it is; None if it turns out to be published already."""
        with self._opening:
            roll = self.receiving.get(inventory.roll_id)
            if roll is not None:
                return roll
            try:
                sealed = recover(self._area, self._journal, inventory)
            except OSError as error:
                raise self._area.failed(error) from error
            if sealed is not None:
                self._published(inventory, sealed)
                return None
            recall_parcels(self._area, self._journal, self._clock, inventory)
            return self.receiving.add(
                ReceivingRoll(inventory, self._area, self._journal, self._changed)
            )

    def take_anew(self, inventory: Inventory) -> bool:
        """Go on with an unfinished roll under other evidence; what came in of its media stays.

        False, and nothing done, if it turns out to be published. Raises HeldError.
        """
        if self.open_known(inventory.roll_id) is None:
            return False
        with self._giving_up, self._opening:
            roll = self.receiving.get(inventory.roll_id)
            if roll is None:
                return False
            return self._take_anew(roll, inventory)

    def go_on(
        self, roll_id: str, state: bytes, anew: Collection[str], spend: Callable[[], None]
    ) -> None:
        """Take parcels of a roll that say state, and no others any more.

        Of the files whose paths are in anew, what came in before is lacking from now on: once for
        each state, so that an offer that comes twice costs nothing. Nothing is done if the roll is
        published. spend: called before anything is written. Raises HeldError, what spend() raises.
        """
        if self.open_known(roll_id) is None:
            return
        with self._giving_up, self._opening:
            roll = self.receiving.get(roll_id)
            if roll is None or roll.state == state:
                return
            if not roll.state and not anew:
                roll.state = state  # nothing is on its way here that says anything else
                return
            spend()
            self._take_anew(roll, roll.inventory, state, frozenset(anew))

    def _take_anew(
        self,
        roll: ReceivingRoll,
        inventory: Inventory,
        state: bytes = b"",
        anew: Collection[str] = (),
    ) -> bool:
        try:
            return self._exchange(roll, inventory, state, anew)
        except OSError as error:
            raise self._area.failed(error) from error

    def _exchange(
        self, roll: ReceivingRoll, inventory: Inventory, state: bytes, anew: Collection[str]
    ) -> bool:
        # A sync or a journal that failed after the rename left a roll that is there already.
        sealed = recover(self._area, self._journal, roll.inventory)
        if sealed is not None:
            self._published(roll.inventory, sealed)
            return False
        self.receiving.remove(roll.roll_id)  # so that nobody writes what is cut otherwise
        try:
            taken = self._recut(roll, inventory, anew)
        except BaseException:
            roll.reopen()
            self.receiving.add(roll)
            raise
        new = ReceivingRoll(taken, self._area, self._journal, self._changed)
        new.state = state
        self.receiving.add(new)
        new.papers.renew(self._area.present())
        return True

    def _recut(self, roll: ReceivingRoll, inventory: Inventory, anew: Collection[str]) -> Inventory:
        """Remove stored evidence that is void and journal the new cut, as one transaction."""
        roll_id = roll.roll_id
        folder = self._area.present()
        # First: a start without a journal must not take the old cut's parcels for the new one's.
        disown(folder, roll_id)
        with self._journal.write() as db:
            numbers = parcels.durable_numbers(db, roll_id) - _numbers_of(roll, anew)
            durable = parcels.piece_digests(db, roll_id, numbers)
            cut = recut(roll.inventory, inventory, durable)
            for entry in cut.void:
                with suppress(FileNotFoundError):
                    folder.remove_file(stored_path(roll_id, entry))
            rolls.replace_files(db, cut.inventory)
            parcels.recut(db, roll_id, cut.durable, cut.file_indexes)
            parcels.forget_proofs(db, roll_id, cut.lacking)
            rolls.set_moved(db, roll_id, cut.durable_bytes)
            if text := _why_anew(roll.inventory, inventory, anew):
                rolls.note(db, roll_id, text, now_utc_ms=self._clock.utc_ms())
        return cut.inventory

    def prove_batch(self, roll: ReceivingRoll, batch: list[int]) -> None:
        """Read files back and record what was found. Raises OSError, HeldError."""
        proofs: dict[int, Proof] = {}
        damages: list[Damage] = []
        version = roll.version
        is_any_lost = False
        for index, result in prove_files(roll, batch):
            if isinstance(result, Damage):
                damages.append(result)
            elif result is None:
                is_any_lost = True
            else:
                proofs[index] = result
        with self._giving_up:
            if self.receiving.get(roll.roll_id) is roll:
                self._record(roll, proofs, damages, version)
        if is_any_lost:
            self.find_lost(roll)

    def _record(
        self, roll: ReceivingRoll, proofs: dict[int, Proof], damages: list[Damage], version: int
    ) -> None:
        now = self._clock.utc_ms()
        if not record_proofs(self._journal, roll, proofs, version, now_utc_ms=now):
            return
        for damage in damages:
            log.warning("%s: %s", roll.roll_id, damage.describe())
            if damage.is_longer:
                self._remove_stored(roll, damage.file_index)
            record_damage(self._journal, roll, damage, now_utc_ms=now)

    def find_lost(self, roll: ReceivingRoll) -> bool:
        """Have what is gone from the storage sent again; tell whether anything was."""
        with self._giving_up:  # else two that look at once would count one loss twice
            if self.receiving.get(roll.roll_id) is not roll:
                return False
            return find_lost(self._journal, roll, now_utc_ms=self._clock.utc_ms())

    def explain_absence(self, roll_id: str, error: FileNotFoundError) -> None:
        """Find what a step missed. Raises HeldError if it is the storage, or nothing of the roll's.

        It must not pass for an absent storage: it would be released, and held again, for ever.
        """
        roll = self.receiving.get(roll_id)
        self._area.present()
        if roll is not None and self.find_lost(roll):
            return
        raise HeldError(
            HeldCode.STORAGE_ERROR,
            f"The storage {self._area.path} is there, and something on it is not: "
            f"{why(error)}{f' ({error.filename})' if error.filename else ''}.",
            remedy="Find out who removes files in .syncd on it, then `syncd go` the roll.",
        )

    def finish(self, roll: ReceivingRoll) -> None:
        """Seal, publish, and say so; whatever step a crash hits, it is done again or found done."""
        with self._giving_up:
            if self.receiving.get(roll.roll_id) is roll:
                self._finish(roll)

    def _finish(self, roll: ReceivingRoll) -> None:
        try:
            # A sync or a journal that failed after the rename left a roll that is there already.
            sealed = recover(self._area, self._journal, roll.inventory)
            # Rolls are published one at a time, so that of two with one content the later one finds
            # the other.
            other = None if sealed else find_same(self._area, self._journal, roll.inventory)
            if other is not None:
                self._become_same(roll.roll_id, other)
                return
            if sealed is None:
                sealed = seal(roll, lambda: self._attesting.generation(roll))
                publish(self._area, self._journal, self._attesting.record(roll, sealed))
        except ChangedMeanwhileError as changed:
            roll.reopen()
            log.warning("%s: %s", roll.roll_id, changed)
            now = self._clock.utc_ms()
            read_back_again(self._journal, roll, changed.files, changed.touched, now_utc_ms=now)
            self._changed()
            return
        except HeldError as error:
            if self._is_there_already(roll, error):
                return
            roll.reopen()
            self._distrust(roll, error)
            raise
        except BaseException:
            roll.reopen()
            raise
        self._published(roll.inventory, sealed)

    def _is_there_already(self, roll: ReceivingRoll, error: HeldError) -> bool:
        """Tell whether what took the name is this very roll, published under a lost journal."""
        if error.code is not HeldCode.NAME_TAKEN:
            return False
        found = compare_with_published(self._area, self._attesting.with_digests(roll))
        if found is not Comparison.SAME:
            return False
        self._published(roll.inventory, evidence_there(self._area, roll.inventory))
        return True

    def _distrust(self, roll: ReceivingRoll, error: HeldError) -> None:
        """Have a file that changed after it was proved sent again, once a person lets it go on."""
        if error.code is not HeldCode.READ_BACK_MISMATCH:
            return
        if self._area.present().stat(media_root(roll.roll_id)) is None:
            return  # it is published; what is wrong there is a person's to put right
        for index, entry in enumerate(roll.inventory.files):
            if entry.path == error.path:
                self._remove_stored(roll, index)
                with self._journal.write() as db:
                    roll.forget(db, roll.plan.parcels_of_file(index))

    def _remove_stored(self, roll: ReceivingRoll, index: int) -> None:
        """Remove an incoming file, before its parcels are forgotten: until then none is written."""
        path = stored_path(roll.roll_id, roll.inventory.files[index])
        with suppress(FileNotFoundError):
            self._area.present().remove_file(path)

    def _published(self, inventory: Inventory, sealed: Sequence[FileEntry]) -> None:
        record_published(
            self._journal,
            inventory,
            sealed,
            self._final_stages,
            now_utc_ms=self._clock.utc_ms(),
        )
        self.receiving.remove(inventory.roll_id)
        with suppress(OSError, HeldError):  # left-overs are cleared at the next start
            discard_incoming(self._area.present(), inventory.roll_id)

    def _become_same(self, roll_id: str, other: RollRow) -> None:
        """Let a roll lead to one with the same content; what came in of it is given up."""
        with suppress(OSError, HeldError):  # first, as in give_up()
            disown(self._area.present(), roll_id)
        with self._journal.write() as db:
            same.become_same(db, roll_id, other, now_utc_ms=self._clock.utc_ms())
        log.info("%s has the content of %s", roll_id, other.published_path)
        self.receiving.remove(roll_id)
        with suppress(OSError, HeldError):  # left-overs are cleared at the next start
            discard_incoming(self._area.present(), roll_id)

    def give_up(self, roll_id: str) -> None:
        """Forget an unfinished roll, and what came in of it; what is published is not touched."""
        with self._giving_up:
            # First, so that no start takes up again what a crash left of it. Where the storage is
            # away one may: a roll that was only found there, and that nobody brings, bars no other.
            with suppress(OSError, HeldError):
                disown(self._area.present(), roll_id)
            if self._forget(roll_id, "given up: its source holds another roll by now"):
                with suppress(OSError, HeldError):  # left-overs are cleared at the next start
                    discard_incoming(self._area.present(), roll_id)

    def let_go(self, roll_id: str) -> None:
        """Forget an unfinished roll, of which a person says that its rest will not come.

        What came in of it stays where it is: it may be the only copy. Raises HeldError.
        """
        with self._giving_up:
            try:
                disown(self._area.present(), roll_id)  # else it would be taken up again
            except OSError as error:
                raise storage_trouble(self._area.path, error) from error
            self._forget(roll_id, "no more waited for: its folder is gone where it came from")

    def _forget(self, roll_id: str, text: str) -> bool:
        with self._journal.write() as db:
            row = rolls.get(db, roll_id)
            if row is None or not is_before(row.stage, Stage.LANDED):
                return False
            rolls.note(db, roll_id, text, now_utc_ms=self._clock.utc_ms())
            rolls.give_up(db, roll_id)
        self.receiving.remove(roll_id)
        return True

    def clean_up(self) -> None:
        """Remove incoming folders of rolls that were published before a stop."""
        with suppress(OSError, HeldError):
            folder = self._area.present()
            for entry in folder.scan(INCOMING):
                with self._journal.read() as db:
                    row = rolls.get(db, entry.name)
                if row is not None and row.published_path is not None:
                    discard_incoming(folder, entry.name)


def _numbers_of(roll: ReceivingRoll, paths: Collection[str]) -> set[int]:
    """Return the parcels that have a part in any of these files."""
    return {
        number
        for index, entry in enumerate(roll.inventory.files)
        if entry.path in paths
        for number in roll.plan.parcels_of_file(index)
    }


def _why_anew(before: Inventory, after: Inventory, anew: Collection[str]) -> str:
    if anew:
        return f"{', '.join(sorted(anew))} changed where it comes from; it is sent anew as a whole"
    if before is not after:
        return "its evidence changed where it comes from; what came in of its media stays"
    return ""
