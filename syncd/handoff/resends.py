"""Files that the storage asks for again: each is sent once its source is found to be right.

Owns: which files of which rolls, until they are settled; and the comparison of one source file with
its evidence, read past the page cache. Must not: offer or hold a roll; handover.py does.
"""

from collections.abc import Collection

from syncd.errors import HeldError
from syncd.handoff.efforts import Efforts
from syncd.handoff.outgoing import Outgoing
from syncd.handoff.sources import Sources
from syncd.ports import Disk
from syncd.roll.stages import HeldCode
from syncd.storage.reading import hash_file


def check_source(sources: Sources, outgoing: Outgoing, path: str) -> None:
    """Read one source file again and compare it with its evidence.

    Raises HeldError(evidence-mismatch) if the source does not match; a file without evidence of its
    own (a settled roll) has nothing to be compared with and passes.
    """
    entry = next((e for e in outgoing.inventory.files if e.path == path), None)
    if entry is None or not entry.digests:
        return
    reader = sources.reader(outgoing.roll_id)
    algorithms = tuple(digest.algorithm for digest in entry.digests)
    found = hash_file(
        reader.disk, reader.folder, path, algorithms, roll=reader.shown, past_cache=True
    )
    for expected, actual in zip(entry.digests, found, strict=True):
        if expected != actual:
            name = f"{outgoing.inventory.day}/{outgoing.inventory.name}"
            raise HeldError(
                HeldCode.EVIDENCE_MISMATCH,
                f"{name}: {path}, bytes 0 to {entry.size_bytes}: the source does not match its "
                f"evidence ({expected} expected, {actual} read). The source side is wrong.",
                remedy="Offload this file again from the card; do not clear the card.",
                path=path,
            )


class Resends:
    """What is asked for by one peer; efforts: where what is read for it counts."""

    def __init__(self, sources: Sources, efforts: Efforts, disk: Disk) -> None:
        self._sources = sources
        self._efforts = efforts
        self._disk = disk
        self._paths: dict[str, set[str]] = {}

    def ask(self, roll_id: str, path: str) -> None:
        """Remember a file for the next offer of its roll."""
        self._paths.setdefault(roll_id, set()).add(path)

    def is_asked(self, roll_id: str) -> bool:
        """Tell whether a file of a roll is yet to be settled."""
        return roll_id in self._paths

    def keep(self, roll_ids: Collection[str]) -> None:
        """Forget all other rolls: it is no question any more."""
        for roll_id in self._paths.keys() - set(roll_ids):
            del self._paths[roll_id]

    async def settle(self, outgoing: Outgoing) -> None:
        """Read the doubted source files past the cache; raises HeldError if the source is wrong.

        What is doubted in the meantime stays so, for the next offer.
        """
        paths = frozenset(self._paths.get(outgoing.roll_id, ()))
        doubted = [each.size_bytes for each in outgoing.inventory.files if each.path in paths]
        self._efforts.read(outgoing.roll_id, doubted)
        for path in sorted(paths):
            await self._disk.aside(check_source, self._sources, outgoing, path)
        if left := self._paths.pop(outgoing.roll_id, set()) - paths:
            self._paths[outgoing.roll_id] = left
