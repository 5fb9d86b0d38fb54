"""What the journal has of rolls that are handed over: what is to be offered, and what was answered.

Owns: opening a roll as the journal has it now, and writing down what became of an offer. All of it
blocks. Must not: talk to the peer, or decide when a roll is offered.
"""

import logging
from collections.abc import Collection
from dataclasses import replace

from syncd.errors import HeldError
from syncd.handoff.changes import Changes
from syncd.handoff.outgoing import Outgoing
from syncd.handoff.sources import Sources
from syncd.handoff.untouched import FileWatch, TouchedError, Watches
from syncd.journal import also, astray, leaving, left_out, parcels, rolls
from syncd.journal.also import Also
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin, RollRow
from syncd.journal.rows import Gone
from syncd.ports import Ports
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import SELF_CURING, HeldCode, Stage, is_before
from syncd.storage.outcomes import record_held
from syncd.storage.reading import RollReader

log = logging.getLogger(__name__)

CURED_BY_AN_ANSWER = SELF_CURING | {HeldCode.PEER_REFUSED}


class OutgoingBook:
    """The rolls of one destination.

    sources, watches: what is open, and watched over. told: how often what the peer answers is told.
    """

    def __init__(
        self,
        peer: str,
        journal: Journal,
        ports: Ports,
        sources: Sources,
        watches: Watches,
        *,
        told: Changes,
    ) -> None:
        self._peer = peer
        self._told = told
        self._journal = journal
        self._ports = ports
        self._sources = sources
        self._watches = watches

    def unfinished(self) -> tuple[list[RollRow], bool]:
        """Return the rolls to hand over, most urgent first, and whether everything is paused."""
        with self._journal.read() as db:
            return rolls.unfinished(db, Origin.LANDING), rolls.is_all_paused(db)

    def leaving(self) -> list[tuple[RollRow, tuple[str, ...]]]:
        """Return the rolls whose folder is missed, each with those that lay there before it."""
        with self._journal.read() as db:
            rows = leaving.to_tell(db)
            return [(row, rolls.replaced_by(db, row.roll_id)) for row in rows]

    def names_to_tell(self) -> list[tuple[str, Also]]:
        """Return the names of landed rolls of which the storage has yet to be told."""
        with self._journal.read() as db:
            return also.to_tell(db)

    def note_called(self, roll_id: str, other: Also, path: str) -> None:
        """Journal that a name leads to a roll on the storage, too."""
        now = self._ports.clock.utc_ms()
        with self._journal.write() as db:
            also.note_told(db, roll_id, other)
            text = f"published as {path} on {self._peer}; {other.day}/{other.name} leads to it, too"
            rolls.note(db, roll_id, text, now_utc_ms=now)

    def note_over(self, roll_id: str) -> None:
        """Journal that the storage knows that a roll will not come; not if it is there again."""
        with self._journal.write() as db:
            row = rolls.get(db, roll_id)
            if row is not None and row.gone is Gone.ENDING:
                leaving.set_gone(db, roll_id, Gone.OVER)

    def hold(self, roll_id: str, error: HeldError) -> None:
        """Hold a roll, unless its folder is missed: the landing has said so, and what to do."""
        with self._journal.read() as db:
            row = rolls.get(db, roll_id)
        if row is None or row.gone is not None:
            return
        quiet = not self._told.is_left(self._peer)
        if record_held(self._journal, roll_id, error, self._ports.clock.utc_ms(), quiet=quiet):
            self._told.take(self._peer)

    def is_held(self, roll_id: str) -> bool:
        """Tell whether a roll is held now."""
        with self._journal.read() as db:
            row = rolls.get(db, roll_id)
        return row is not None and row.held is not None

    def is_opened_too_early(self, row: RollRow) -> bool:
        """Tell whether the landing has taken a roll's files anew since it was opened."""
        return self._sources.edition(row.roll_id) not in (None, row.edition)

    def is_taken_anew(self, roll_id: str) -> bool:
        """Tell whether a roll is read as files that the journal has replaced by others."""
        with self._journal.read() as db:
            row = rolls.get(db, roll_id)
        return row is not None and self.is_opened_too_early(row)

    def open(self, row: RollRow, released: bool) -> Outgoing:
        """Return a roll as it is to be offered now. released: a person let it go on."""
        assert row.source_path is not None, "a landing roll has a source"
        known = self._sources.known(row.roll_id, row.source_path)
        with self._journal.read() as db:
            now = rolls.get(db, row.roll_id) or row
            replaces = rolls.replaced_by(db, row.roll_id)
            if known is not None and known.edition == now.edition and _is_in_its_state(known):
                anew = _anew(known.watch)
                return replace(known, released=released, replaces=replaces, anew=anew)
            inventory = rolls.load_inventory(db, row.roll_id)
            change_times = parcels.change_times(db, row.roll_id)
            not_sent = left_out.of(db, row.roll_id)
        plan = ParcelPlan(inventory)
        watch = self._watches.over(inventory, plan, change_times)
        outgoing = Outgoing(
            row.roll_id,
            inventory,
            plan,
            row.source_path,
            released,
            replaces,
            now.edition,
            inventory.evidence_mark if watch is None else watch.state(inventory.evidence_mark),
            watch,
            _anew(watch),
            not_sent,
        )
        self._sources.add(outgoing)
        return outgoing

    def note_taken(self, row: RollRow, reader: RollReader, lacking: Collection[int]) -> None:
        """Journal that a roll is taken.

        Raises HeldError; TouchedError if it is to be offered again, with a file sent anew.
        """
        now = self._ports.clock.utc_ms()
        try:
            change_times = self._watches.settle(reader, lacking)
        except TouchedError as error:
            log.warning("%s %s", error.problem, error.remedy)
            with self._journal.write() as db:
                rolls.note(db, row.roll_id, f"{error.problem} {error.remedy}", now_utc_ms=now)
            raise
        with self._journal.write() as db:
            parcels.record_change_times(db, row.roll_id, change_times)
            fresh = rolls.get(db, row.roll_id)
            if fresh is not None and fresh.held and fresh.held.code not in CURED_BY_AN_ANSWER:
                return  # held while it was asked about: it goes on once a person says so
            if row.held is not None:
                quiet = not self._told.take(self._peer)
                rolls.release(db, row.roll_id, now_utc_ms=now, quiet=quiet)
            if lacking:
                note = f"handing over to {self._peer}"
                rolls.set_stage(db, row.roll_id, Stage.MOVING, now_utc_ms=now, note=note)

    def note_had(self, row: RollRow, message: str) -> None:
        """Journal that the storage has a roll already."""
        now = self._ports.clock.utc_ms()
        with self._journal.write() as db:
            rolls.set_moved(db, row.roll_id, row.total_bytes)
            astray.arrived(db, row.roll_id)
            for stage in (Stage.LANDED, Stage.READY):
                if is_before(row.stage, stage):
                    rolls.set_stage(db, row.roll_id, stage, now_utc_ms=now, note=message)


def _anew(watch: FileWatch | None) -> tuple[str, ...]:
    return () if watch is None else watch.anew


def _is_in_its_state(outgoing: Outgoing) -> bool:
    """Tell whether parcels of a roll say what they are to say: no file is to be sent anew."""
    watch = outgoing.watch
    return watch is None or watch.state(outgoing.inventory.evidence_mark) == outgoing.evidence
