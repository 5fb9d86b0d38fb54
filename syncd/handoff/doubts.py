"""Is it the source that is wrong? Asked when the storage read back something else.

Owns: the comparison of one source file with its evidence, read past the page cache.
"""

from syncd.errors import HeldError
from syncd.handoff.outgoing import Outgoing
from syncd.handoff.sources import Sources
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
    found = hash_file(reader.disk, reader.folder, path, algorithms, past_cache=True)
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
