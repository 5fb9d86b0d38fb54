"""The storage as a place that may be absent, full, or back again.

Owns: the open root folder, and the answer to "may I write here now".
Must not: know rolls. Safe from several threads.
"""

import errno
import threading
import weakref

from syncd.errors import HeldError
from syncd.ports import Clock, Disk, Folder
from syncd.roll.stages import HeldCode
from syncd.storage.amounts import human
from syncd.storage.layout import TRIED
from syncd.storage.marker import read_marker
from syncd.storage.troubles import (
    folder_absent,
    storage_absent,
    storage_exchanged,
    storage_trouble,
    why,
)

RECHECK_S = 1.0  # lanes ask at every parcel; a marker is not read again sooner than this


class Promise:
    """Room in folder for something that is about to be written there by one lane.

    left_bytes: so much of it is not written yet, and is promised to nobody else.
    """

    __slots__ = ("__weakref__", "folder", "left_bytes")

    def __init__(self, folder: Folder, left_bytes: int) -> None:
        self.folder = folder
        self.left_bytes = left_bytes

    def use(self, count_bytes: int) -> None:
        """Count what was written by now: the file system knows of it."""
        self.left_bytes -= count_bytes

    def give_up(self) -> None:
        """Let others have what is left."""
        self.left_bytes = 0


class Area:
    """One storage root; opened when first used, and again when its path leads elsewhere.

    box: whose it is. keep_free_bytes: never to be filled.
    marker_required: off for a folder a person named just now.
    """

    def __init__(
        self,
        disk: Disk,
        path: str,
        *,
        box: str,
        clock: Clock,
        keep_free_bytes: int,
        marker_required: bool = True,
    ) -> None:
        self.disk = disk
        self.path = path
        self.box = box
        self._clock = clock
        self._keep_free_bytes = keep_free_bytes
        self._marker_required = marker_required
        self._lock = threading.Lock()
        self._folder: Folder | None = None
        self._storage_id: str | None = None
        self._checked_at_s: float | None = None
        self._is_read_only = False  # so a write has said, and none has gone well since
        self._room_bytes = 0  # that may be promised before free space is looked at again
        # Weak: what a lane forgets to give up must not be kept from others for ever.
        self._promised: list[weakref.ref[Promise]] = []

    def folder(self) -> Folder:
        """Return the root, checked within the last second. Raises HeldError as check() does."""
        with self._lock:
            return self._folder_for(0)

    def promise(self, to_write_bytes: int) -> Promise:
        """Promise room for so much below the root, which is checked as by folder().

        Whatever was promised counts until it is written, so that keep_free stays free however
        many lanes write, and however fast. Raises HeldError as check() does.
        """
        with self._lock:
            promise = Promise(self._folder_for(to_write_bytes), to_write_bytes)
            self._promised.append(weakref.ref(promise))
            self._room_bytes -= to_write_bytes
            return promise

    def _folder_for(self, to_write_bytes: int) -> Folder:
        now_s = self._clock.monotonic_s()
        if (
            self._folder is None
            or self._checked_at_s is None
            or not 0 <= now_s - self._checked_at_s < RECHECK_S
            or to_write_bytes > self._room_bytes
        ):
            # Before the look: what is written in between is then counted twice, never not at all.
            promised_bytes = self._promised_bytes()
            spoken_for_bytes = promised_bytes if to_write_bytes else 0
            self._room_bytes = self._check(to_write_bytes, spoken_for_bytes) - promised_bytes
            self._checked_at_s = now_s
        assert self._folder is not None, "a checked storage is open"
        return self._folder

    def _promised_bytes(self) -> int:
        """Return how much was promised and is not written; forget what is over."""
        found = ((ref, ref()) for ref in self._promised)
        left = [(ref, each.left_bytes) for ref, each in found if each and each.left_bytes]
        self._promised = [ref for ref, _ in left]
        return sum(left_bytes for _, left_bytes in left)

    def check(self, needed_bytes: int, spoken_for_bytes: int = 0, freed_bytes: int = 0) -> None:
        """Raise HeldError(storage-absent) or (storage-full) unless so much may be written here.

        spoken_for_bytes: that are still to come of other rolls, and are to find room, too.
        freed_bytes: that lie here now, and make way before anything is written.
        """
        with self._lock:
            self._checked_at_s = None
            self._check(needed_bytes, spoken_for_bytes, freed_bytes)

    def present(self) -> Folder:
        """Return the root after a check of path and marker, whatever room is left on it.

        Raises HeldError(storage-absent).
        """
        with self._lock:
            return self._check_present()

    def doubt(self) -> None:
        """Something failed here: look again before the next use."""
        with self._lock:
            self._checked_at_s = None

    def failed(self, error: OSError, path: str | None = None) -> HeldError:
        """Take note that writing failed here; return the reason for which a roll is held.

        path: the file it happened to, relative to the roll.
        """
        trouble = storage_trouble(self.path, error, path)
        self._is_read_only |= error.errno == errno.EROFS
        self.doubt()
        return trouble

    def reopen(self) -> None:
        """Open the root anew before the next use: below it, names lead elsewhere than before."""
        with self._lock:
            self._folder = None
            self._checked_at_s = None

    def let_go_if_gone(self) -> None:
        """Close the root if its path leads elsewhere by now.

        A file system that was taken away stays busy while anybody has it open: nobody could
        repair it and mount it again.
        """
        with self._lock:
            if self._folder is not None and not self._folder.is_still_at_its_path():
                self._folder.close()
                self._folder = None
                self._checked_at_s = None

    def problem(self) -> str:
        """Say why nothing can be written now; "" if something can."""
        trouble = self.trouble()
        return "" if trouble is None else str(trouble)

    def trouble(self) -> HeldError | None:
        """Return why nothing can be written now; None if something can.

        Once something could not be, because the storage is read-only, that is tried: a file system
        that went so by itself, after an error, does not say so when only asked.
        """
        try:
            self.check(0)
            if self._is_read_only:
                self._try_to_write()
        except HeldError as error:
            return error
        return None

    def _try_to_write(self) -> None:
        folder = self.present()
        try:
            folder.make_folders(TRIED.rpartition("/")[0])
            folder.replace_file(TRIED, b"")
            folder.remove_file(TRIED)
        except OSError as error:
            raise storage_trouble(self.path, error) from error
        self._is_read_only = False

    def _check(self, needed_bytes: int, spoken_for_bytes: int = 0, freed_bytes: int = 0) -> int:
        """Return how much may be written. Raises HeldError."""
        folder = self._check_present()
        try:
            free_bytes = folder.free_bytes()
        except OSError as error:
            raise storage_trouble(self.path, error) from error
        usable_bytes = free_bytes + freed_bytes - self._keep_free_bytes
        if usable_bytes < max(1, needed_bytes + spoken_for_bytes):
            raise self._full(needed_bytes, free_bytes, spoken_for_bytes, freed_bytes)
        return usable_bytes

    def _check_present(self) -> Folder:
        folder = self._open()
        if self._marker_required:
            self._check_marker(folder)
        return folder

    def _open(self) -> Folder:
        """Return the folder that the path leads to now."""
        if self._folder is not None and not self._folder.is_still_at_its_path():
            self._folder.close()  # a lane may still be writing into it: all of that is condemned
            self._folder = None
        if self._folder is None:
            try:
                self._folder = self.disk.open_folder(self.path)
            except OSError as error:
                absent = storage_absent if self._marker_required else folder_absent
                raise absent(self.path, why(error)) from error
        return self._folder

    def _check_marker(self, folder: Folder) -> None:
        storage_id = read_marker(folder, self.path)
        if self._storage_id is None:
            self._storage_id = storage_id
        if storage_id != self._storage_id:
            raise storage_exchanged(self.path, storage_id, self._storage_id)

    def _full(
        self, needed_bytes: int, free_bytes: int, spoken_for_bytes: int, freed_bytes: int
    ) -> HeldError:
        kept = f", of which {human(self._keep_free_bytes)} are to be kept free"
        needed = f"{human(needed_bytes)} are needed" if needed_bytes else "more is needed"
        if spoken_for_bytes:
            needed += f" beside {human(spoken_for_bytes)} of rolls that are on their way"
        all_bytes = max(1, needed_bytes + spoken_for_bytes)
        lacking = all_bytes + self._keep_free_bytes - free_bytes - freed_bytes
        return HeldError(
            HeldCode.STORAGE_FULL,
            f"The storage {self.path} has {human(free_bytes)} free"
            f"{kept if self._keep_free_bytes else ''}; {needed}.",
            remedy=f"Free {human(lacking)} or more on it; the roll goes on by itself."
            if needed_bytes
            else "Free space on it; rolls go on by themselves.",  # how much is not known here
        )
