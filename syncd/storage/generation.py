"""The next generation of a roll's history: what this box says of the files it proved.

Owns: turning proofs into what the writer of ASC MHL wants. Must not: touch the storage; the
received manifests are handed in as a function that reads one.
"""

from collections.abc import Callable, Mapping

from syncd import __version__
from syncd.errors import HeldError
from syncd.evidence.ascmhl_history import is_history_file, read_histories
from syncd.evidence.ascmhl_write import SealedFile, next_generation
from syncd.evidence.errors import EvidenceError
from syncd.journal.parcels import Proof
from syncd.roll.inventory import FileKind, Inventory
from syncd.roll.stages import HeldCode

ReadReceived = Callable[[str], bytes]


def generation_files(
    inventory: Inventory,
    proofs: Mapping[int, Proof],
    read_received: ReadReceived,
    *,
    host_name: str,
    now_utc_ms: int,
) -> dict[str, bytes]:
    """Return the files of the next generation by path in the roll: manifests and their chains.

    Raises HeldError if what was proved and what the received history says do not go together.
    """
    received = [e.path for e in inventory.files if e.kind is FileKind.EVIDENCE]
    sealed = [
        SealedFile(entry.path, entry.size_bytes, entry.mtime_ns, proofs[index].digests)
        for index, entry in enumerate(inventory.files)
        if not is_history_file(entry.path)
    ]
    try:
        written = next_generation(
            inventory.name,
            sealed,
            read_histories(received, read_received),
            host_name=host_name,
            tool_version=__version__,
            started_utc_ms=now_utc_ms,
            folders=inventory.empty_folders,
        )
    except EvidenceError as error:
        raise _unfit(inventory, error.problem, error.path) from error
    except ValueError as error:
        raise _unfit(inventory, f"{error}.", None) from error
    return {file.path: file.data for file in written}


def _unfit(inventory: Inventory, problem: str, path: str | None) -> HeldError:
    return HeldError(
        HeldCode.EVIDENCE_MISMATCH,
        f"{inventory.day}/{inventory.name}: {problem}",
        remedy="Every file was proved against its evidence; check the roll's history with the tool "
        "that keeps it, offload it anew if that is wrong, and do not clear the card.",
        path=path,
    )
