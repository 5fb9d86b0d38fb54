"""The rolls that are being read for sending, by id: what the lanes of a hand-off read from.

Owns: open source folders and their readers. Must not: write to a source, ever (promise 2).
"""

import threading
from dataclasses import replace

from syncd.errors import HeldError
from syncd.handoff.outgoing import Outgoing
from syncd.limits import DIRECT_ALIGN_BYTES
from syncd.ports import Disk
from syncd.rights import NOT_ALLOWED, let_read
from syncd.roll.digests import Algorithm
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.stages import HeldCode
from syncd.storage.reading import ParcelReader, RollReader, hash_file


class Sources:
    """A ParcelSource over the rolls that were added. Safe from several lanes at once."""

    def __init__(self, disk: Disk) -> None:
        self._disk = disk
        self._lock = threading.Lock()
        self._readers: dict[str, RollReader] = {}
        self._added: dict[str, Outgoing] = {}

    def known(self, roll_id: str, source_path: str) -> Outgoing | None:
        """Return a roll that is open already, if its path still leads to the folder that is open.

        So a roll of many files goes on after a break without being read from the journal again.
        """
        with self._lock:
            outgoing = self._added.get(roll_id)
        if outgoing is None or outgoing.source_path != source_path:
            return None
        return outgoing if self.is_well(roll_id) else None

    def is_well(self, roll_id: str) -> bool:
        """Tell whether a roll is open, and its folder is the one that is at its path now."""
        reader = self.reader_if_open(roll_id)
        return reader is not None and reader.folder.is_still_at_its_path()

    def edition(self, roll_id: str) -> int | None:
        """Return which edition of its inventory a roll is read as; None if it is not open."""
        outgoing = self.opened(roll_id)
        return None if outgoing is None else outgoing.edition

    def opened(self, roll_id: str) -> Outgoing | None:
        """Return a roll as it was opened; None if it is not open."""
        with self._lock:
            return self._added.get(roll_id)

    def add(self, outgoing: Outgoing) -> None:
        """Open a roll's folder, anew if it was. Raises HeldError(source-unreadable)."""
        self.drop(outgoing.roll_id)
        try:
            folder = self._disk.open_folder(outgoing.source_path)
        except OSError as error:
            raise HeldError(
                HeldCode.SOURCE_UNREADABLE,
                f"The source folder {outgoing.source_path} cannot be opened: {error.strerror}.",
                remedy=let_read(self._disk.user())
                if error.errno in NOT_ALLOWED
                else "Connect or mount it again; the roll goes on by itself.",
            ) from error
        reader = RollReader(
            self._disk,
            folder,
            outgoing.inventory,
            outgoing.plan,
            outgoing.evidence,
            watch=outgoing.watch,
        )
        with self._lock:
            self._readers[outgoing.roll_id] = reader
            self._added[outgoing.roll_id] = outgoing

    def drop(self, roll_id: str) -> None:
        """Close a roll's folder; parcels that are being read end with an error of their own."""
        with self._lock:
            reader = self._readers.pop(roll_id, None)
            self._added.pop(roll_id, None)
        if reader is not None:
            reader.close()

    def probe(self, roll_id: str, path: str) -> bool:
        """Read the first of one file; False if it is no file of the roll.

        Raises HeldError, as a lane would, if it cannot be read.
        """
        reader = self.reader(roll_id)
        if all(entry.path != path for entry in reader.inventory.files):
            return False
        try:
            file = reader.folder.open_read(path, past_cache=True)
            try:
                file.read_into(self._disk.aligned_buffer(DIRECT_ALIGN_BYTES), 0)
            finally:
                file.close()
        except OSError as error:
            raise reader.trouble(path, error) from error
        return True

    def open(self, roll_id: str, number: int) -> ParcelReader:
        """Open one parcel. Raises HeldError."""
        return self.reader(roll_id).open(number)

    def reader_if_open(self, roll_id: str) -> RollReader | None:
        """Return the reader of a roll, or None."""
        with self._lock:
            return self._readers.get(roll_id)

    def reader(self, roll_id: str) -> RollReader:
        """Return the reader of a roll. Raises HeldError if it is not open (any more)."""
        reader = self.reader_if_open(roll_id)
        if reader is None:
            raise HeldError(
                HeldCode.SOURCE_UNREADABLE,
                f"Roll {roll_id} is not open for reading.",
                remedy="It is opened again with the next offer.",
            )
        return reader

    def with_digests(self, outgoing: Outgoing) -> Outgoing:
        """Hash a settled roll's files, for comparison with content of the same name.

        Raises HeldError if a file cannot be read.
        """
        reader = self.reader(outgoing.roll_id)
        files = tuple(
            entry
            if entry.digests
            else FileEntry(
                entry.path,
                entry.size_bytes,
                entry.mtime_ns,
                hash_file(
                    self._disk,
                    reader.folder,
                    entry.path,
                    (Algorithm.XXH128,),
                    roll=reader.shown,
                ),
                entry.kind,
            )
            for entry in outgoing.inventory.files
        )
        old = outgoing.inventory
        compared = Inventory(old.day, old.name, files, old.empty_folders, old.trust)
        return replace(outgoing, inventory=compared)
