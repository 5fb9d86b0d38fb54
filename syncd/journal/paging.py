"""A part of a published roll's files, read without the others.

Owns: how the order in which a published roll's files are told follows from that in which they are
journalled: what publishing added stands between the media, in the place of the evidence of before.
Must not: know how large a page is, or who asks for it.
"""

import hashlib
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from sqlite3 import Connection

import msgpack

from syncd.journal.rows import digests_from_blob, key_of
from syncd.roll.inventory import FileEntry, FileKind, Inventory, file_from_plain, ordered

_STAMP_BYTES = 16


@dataclass(frozen=True, slots=True)
class Places:
    """Where the evidence of a published roll stands.

    added_at: places of the evidence of now among all files of now.
    media_before: for each journalled file that this stands for, the media files before it.
    """

    added_at: "array[int]"
    media_before: "array[int]"

    @property
    def size_bytes(self) -> int:
        """How much memory it takes."""
        return 4 * (len(self.added_at) + len(self.media_before))

    def index_of(self, place: int) -> int:
        """Return the file_index of the first media file that stands at a place, or behind it."""
        media = place - bisect_left(self.added_at, place)
        return media + bisect_right(self.media_before, media)


def places_of(frozen: Inventory, published: Inventory) -> Places:
    """Compare a roll as it was frozen with the same as it was published."""
    added_at, media_before = array("I"), array("I")
    if published is not frozen:
        added_at.extend(_evidence_at(published))
        media_before.extend(at - before for before, at in enumerate(_evidence_at(frozen)))
    return Places(added_at, media_before)


def _evidence_at(inventory: Inventory) -> Iterator[int]:
    for index, entry in enumerate(inventory.files):
        if entry.kind is FileKind.EVIDENCE:
            yield index


def stamp(db: Connection, roll_id: str) -> bytes:
    """Return what is another one if a roll's files are told otherwise than before."""
    key, edition, path, packed = db.execute(
        "SELECT key, edition, published_path, published_evidence FROM roll WHERE roll_id = ?",
        (roll_id,),
    ).fetchone()
    hasher = hashlib.sha256(f"{key} {edition} {packed is None} {path}\0".encode())
    hasher.update(packed or b"")
    return hasher.digest()[:_STAMP_BYTES]


def files_from(
    db: Connection, roll_id: str, places: Places, first: int, limit: int
) -> tuple[FileEntry, ...]:
    """Return so many files of a published roll, from a place on; places: of how it is now."""
    (packed,) = db.execute(
        "SELECT published_evidence FROM roll WHERE roll_id = ?", (roll_id,)
    ).fetchone()
    media = _media_from(db, roll_id, places.index_of(first), limit, is_all=packed is None)
    begun = bisect_left(places.added_at, first)
    if not places.added_at[begun : begun + 1] or places.added_at[begun] >= first + limit:
        return tuple(media)
    added = ordered(file_from_plain(entry) for entry in msgpack.unpackb(packed))
    found: list[FileEntry] = []
    for place in range(first, first + limit):
        is_added = begun < len(added) and places.added_at[begun] == place
        entry = added[begun] if is_added else next(media, None)
        begun += is_added
        if entry is None:
            break
        found.append(entry)
    return tuple(found)


def _media_from(
    db: Connection, roll_id: str, index: int, limit: int, *, is_all: bool
) -> Iterator[FileEntry]:
    """Yield media files; is_all: the evidence among them, too, which is as it was."""
    rows = db.execute(
        "SELECT path, size_bytes, mtime_ns, digests, kind FROM file"
        " WHERE roll_key = ? AND file_index >= ? AND (kind = ? OR ?) ORDER BY file_index LIMIT ?",
        (key_of(db, roll_id), index, FileKind.MEDIA, is_all, limit),
    )
    for path, size, mtime, digests, kind in rows:
        yield FileEntry(path, size, mtime, digests_from_blob(digests), FileKind(kind))
