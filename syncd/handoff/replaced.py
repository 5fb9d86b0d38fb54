"""Unfinished rolls on the storage that an offer replaces: their source holds that other roll now.

Owns: whose they are, the room that they take, and when they are given up: once the other roll is
taken or had, and no sooner. Must not: decide on the offer.
"""

from syncd.errors import HeldError
from syncd.handoff.changes import Changes
from syncd.journal import rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin, RollRow
from syncd.roll.stages import HeldCode, Stage, is_before
from syncd.storage.area import Area
from syncd.storage.keeper import Keeper
from syncd.storage.layout import files_below, incoming_of
from syncd.storage.troubles import storage_trouble
from syncd.wire.messages import Offer


class Replaced:
    """Looks at Offer.replaces. Every method blocks."""

    def __init__(self, journal: Journal, area: Area, keeper: Keeper, changes: Changes) -> None:
        self._journal = journal
        self._area = area
        self._keeper = keeper
        self._changes = changes

    def rows(self, peer: str, head: Offer) -> list[RollRow]:
        """Return the rolls that an offer replaces: unfinished, and brought by this very peer."""
        with self._journal.read() as db:
            found = [rolls.get(db, roll_id) for roll_id in head.replaces]
        return [row for row in found if row is not None and _may_be_given_up(row, peer)]

    def check_room(self, peer: str, head: Offer, total_bytes: int, lacking_bytes: int) -> None:
        """Raise HeldError unless a roll finds room, that of the rolls included which it replaces.

        lacking_bytes: that are still to come of other rolls of this peer.
        """
        try:
            self._area.check(total_bytes, lacking_bytes)
        except HeldError as error:
            # Counted only if it matters: to walk a roll of many files takes a while.
            freed_bytes = 0
            if error.code is HeldCode.STORAGE_FULL:
                freed_bytes = sum(self._stored_bytes(row) for row in self.rows(peer, head))
            if not freed_bytes:
                raise
            self._area.check(total_bytes, lacking_bytes, freed_bytes)

    def give_up(self, peer: str, head: Offer) -> None:
        """Give up what an offer that is taken, or had, replaces."""
        for row in self.rows(peer, head):
            self._changes.spend(peer)
            self._keeper.give_up(row.roll_id)

    def _stored_bytes(self, row: RollRow) -> int:
        """Return what lies in a roll's incoming folder; more than counts as moved, if it is bad."""
        try:
            found = files_below(self._area.present(), incoming_of(row.roll_id))
        except OSError as error:
            raise storage_trouble(self._area.path, error) from error
        return sum(entry.size_bytes for entry in found.values())


def _may_be_given_up(row: RollRow, peer: str) -> bool:
    is_theirs = row.origin is Origin.PEER and row.peer == peer
    return is_theirs and row.same_as is None and is_before(row.stage, Stage.LANDED)
