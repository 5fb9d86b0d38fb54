"""The next generation of a roll's history: what this box says of the files it proved.

Owns: turning proofs into what the writer of ASC MHL wants. Must not: touch the storage; the
received manifests are handed in as a function that reads one.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import overload

from syncd import __version__
from syncd.errors import HeldError
from syncd.evidence.ascmhl_history import read_histories
from syncd.evidence.ascmhl_write import NewFile, SealedFile, next_generation
from syncd.evidence.errors import EvidenceError
from syncd.journal.parcels import Proof
from syncd.roll.inventory import FileKind, Inventory
from syncd.roll.stages import HeldCode

ReadReceived = Callable[[str], bytes]
# Gives the proofs of so many files, from one index of the inventory on.
ReadProofs = Callable[[int, int], Mapping[int, Proof]]

PAGE_FILES = 1000


class ProvedFiles(Sequence[SealedFile]):
    """The files of a roll with what was read back of each; only a page of them in memory."""

    def __init__(self, inventory: Inventory, proofs: ReadProofs) -> None:
        self._inventory = inventory
        self._read = proofs
        self._first = -1
        self._page: Mapping[int, Proof] = {}

    def __len__(self) -> int:
        return len(self._inventory.files)

    @overload
    def __getitem__(self, index: int) -> SealedFile: ...

    @overload
    def __getitem__(self, index: slice) -> Sequence[SealedFile]: ...

    def __getitem__(self, index: int | slice) -> SealedFile | Sequence[SealedFile]:
        """Return one file, best asked for in order. Raises KeyError if it was not proved."""
        if isinstance(index, slice):
            return [self[each] for each in range(*index.indices(len(self)))]
        entry = self._inventory.files[index]
        digests = self._page_of(index)[index].digests
        return SealedFile(entry.path, entry.size_bytes, entry.mtime_ns, digests)

    def _page_of(self, index: int) -> Mapping[int, Proof]:
        first = index - index % PAGE_FILES
        if first != self._first:
            self._page, self._first = self._read(first, PAGE_FILES), first
        return self._page


def generation_files(
    inventory: Inventory,
    proofs: ReadProofs,
    read_received: ReadReceived,
    *,
    host_name: str,
    now_utc_ms: int,
) -> Iterator[NewFile]:
    """Yield the files of the next generation, to be written in this order: manifests, chains.

    Raises HeldError if what was proved and what the received history says do not go together.
    """
    received = [e.path for e in inventory.files if e.kind is FileKind.EVIDENCE]
    try:
        yield from next_generation(
            inventory.name,
            ProvedFiles(inventory, proofs),
            read_histories(received, read_received, inventory.files),
            host_name=host_name,
            tool_version=__version__,
            started_utc_ms=now_utc_ms,
            folders=inventory.empty_folders,
        )
    except EvidenceError as error:
        raise _unfit(inventory, error.problem, error.path) from error
    except ValueError as error:
        raise _unfit(inventory, f"{error}.", None) from error


def _unfit(inventory: Inventory, problem: str, path: str | None) -> HeldError:
    return HeldError(
        HeldCode.EVIDENCE_MISMATCH,
        f"{inventory.day}/{inventory.name}: {problem}",
        remedy="Every file was proved against its evidence; check the roll's history with the tool "
        "that keeps it, offload it anew if that is wrong, and do not clear the card.",
        path=path,
    )
