"""Published rolls as a source of parcels: what editorial's lanes are served from.

Owns: which rolls editorial may see at all, and which published folder a roll id means.
Must not: write there (promise 2).
"""

import threading
from collections.abc import Callable

from syncd.errors import HeldError
from syncd.handoff.outgoing import Outgoing
from syncd.handoff.sources import Sources
from syncd.journal import rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin, RollRow
from syncd.ports import Ports
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode, Stage, is_before
from syncd.storage.area import Area
from syncd.storage.reading import ParcelReader

OPEN_ROLLS_MAX = 8


def is_served(row: RollRow) -> bool:
    """Tell whether editorial may list, read and fetch a roll: it was handed over, and is ready.

    Not what this box fetched or offloads itself, nor another offer of what is there, nor one that
    was found wrong after a start and is not ready again.
    """
    is_own = row.origin is Origin.PEER and row.same_as is None
    return is_own and row.published_path is not None and not is_before(row.stage, Stage.READY)


class Published:
    """A ParcelSource over the storage's published rolls; opens them as they are asked for.

    why_not_there: says why a roll that cannot be opened is not where it was published.
    """

    def __init__(
        self,
        ports: Ports,
        journal: Journal,
        area: Area,
        why_not_there: Callable[[str], HeldError | None] = lambda _: None,
    ) -> None:
        self._journal = journal
        self._area = area
        self._sources = Sources(ports.disk)
        self._lock = threading.Lock()
        self._recent: list[str] = []
        self._why_not_there = why_not_there

    def renew(self, roll_id: str) -> None:
        """Open a roll anew before it is read again: what is known of its files has changed."""
        with self._lock:
            self._sources.drop(roll_id)

    def open(self, roll_id: str, number: int) -> ParcelReader:
        """Open one parcel of a published roll. Raises HeldError if there is no such roll."""
        with self._lock:
            if not self._sources.is_well(roll_id):  # a storage mounted again is opened again
                self._open(roll_id)
            if roll_id not in self._recent:
                self._recent.append(roll_id)
            if len(self._recent) > OPEN_ROLLS_MAX:
                self._sources.drop(self._recent.pop(0))
        return self._sources.open(roll_id, number)

    def _open(self, roll_id: str) -> None:
        try:
            self._sources.add(self._find(roll_id))
        except HeldError as error:
            raise self._why_not_there(roll_id) or error from error

    def _find(self, roll_id: str) -> Outgoing:
        with self._journal.read() as db:
            row = rolls.get(db, roll_id)
            if row is None or not is_served(row):
                raise HeldError(
                    HeldCode.PEER_REFUSED,
                    f"No published roll has the id {roll_id}.",
                    remedy="List the rolls again; only ready rolls can be fetched.",
                )
            inventory = rolls.load_published_inventory(db, roll_id)
        path = f"{self._area.path}/{row.published_path}"
        return Outgoing(roll_id, inventory, ParcelPlan(inventory), path)
