"""All that the evidence of one roll says, put together file by file.

Owns: that two lists which contradict each other are found, and named both.
Must not: read anything.
"""

import unicodedata
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from syncd.counted import counted
from syncd.evidence.errors import EvidenceError
from syncd.evidence.listed import ListedFile
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.names import shown

ASK_THE_CARD = (
    "One of the two is wrong: compare the file with the card, correct the list, and the roll goes "
    "on by itself."
)


@dataclass(slots=True)
class Claim:
    """What is claimed of one file: each digest and the size, with the list that says so first.

    digests: one of a format. said_in: for each, the list that said so.
    """

    digests: tuple[Digest, ...] = ()
    said_in: tuple[str, ...] = ()
    size_bytes: int | None = None
    size_said_in: str = ""

    def sorted_digests(self) -> tuple[Digest, ...]:
        """Return the digests in the order in which inventories keep them."""
        return self.digests if len(self.digests) < 2 else tuple(sorted(self.digests))

    def first_said(self, algorithm: Algorithm) -> tuple[Digest, str] | None:
        """Return the digest in a format and the list that said so, or None."""
        said = zip(self.digests, self.said_in, strict=True)
        return next((pair for pair in said if pair[0].algorithm is algorithm), None)


class Claims:
    """Collects claims; paths are relative to the roll, spelled as on the disk where possible."""

    def __init__(self, present: Collection[str]) -> None:
        self.by_path: dict[str, Claim] = {}
        self._present = present
        # One tuple for all files that are in the same lists.
        self._said_in: dict[tuple[str, ...], tuple[str, ...]] = {}
        self._spelled: dict[str, str] | None = None

    def add(self, source: str, entries: Iterable[ListedFile]) -> None:
        """Take in one list. Raises EvidenceError if it contradicts an earlier one."""
        for entry in entries:
            path = entry.path
            claim = self.by_path.get(path)
            if claim is None:
                path = self._as_on_disk(path)
                claim = self.by_path.setdefault(path, Claim())
            if entry.size_bytes is not None:
                self._add_size(path, claim, entry.size_bytes, source)
            for digest in entry.digests:
                self._add_digest(path, claim, digest, source)

    def count_present(self, entries: Iterable[ListedFile]) -> int:
        """Return how many of the files are there."""
        return sum(self._as_on_disk(entry.path) in self._present for entry in entries)

    def _add_size(self, path: str, claim: Claim, size_bytes: int, source: str) -> None:
        if claim.size_bytes is None:
            claim.size_bytes, claim.size_said_in = size_bytes, source
        elif claim.size_bytes != size_bytes:
            texts = (
                f"{counted(size_bytes, 'byte')} here and {claim.size_bytes:,} in "
                f"{shown(claim.size_said_in)}"
            )
            raise _contradiction(source, path, texts)

    def _add_digest(self, path: str, claim: Claim, digest: Digest, source: str) -> None:
        said = claim.first_said(digest.algorithm)
        if said is None:
            claim.digests += (digest,)
            said_in = (*claim.said_in, source)
            claim.said_in = self._said_in.setdefault(said_in, said_in)
        elif said[0] != digest:
            texts = f"{digest} here and {said[0].text} in {shown(said[1])}"
            raise _contradiction(source, path, texts)

    def _as_on_disk(self, path: str) -> str:
        """Return path, or the file that is the same name in another Unicode form.

        A list written on one system and files copied by another may differ in NFC and NFD.
        """
        if path in self._present or path.isascii():
            return path
        if self._spelled is None:
            self._spelled = {unicodedata.normalize("NFC", name): name for name in self._present}
        return self._spelled.get(unicodedata.normalize("NFC", path), path)


def _contradiction(source: str, path: str, texts: str) -> EvidenceError:
    wrong = f"{shown(path)} has {texts}"
    return EvidenceError(source, wrong, path=path, remedy=ASK_THE_CARD)
