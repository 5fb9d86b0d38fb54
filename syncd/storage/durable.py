"""Making parcels durable in groups: file by file where they are few, all at once where many.

Owns: which folders' names must be synced for a file to be found again after a power loss.
Must not: record anything; nothing is confirmed before this has returned.
"""

import threading
from collections.abc import Iterable

from syncd.ports import Folder
from syncd.storage.layout import folder_of
from syncd.storage.sinks import KEPT_OPEN_FILES_MAX, ParcelSink


class DurableNames:
    """The folders whose own names are known to be durable. Safe from several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._known: set[str] = {""}

    def sync_for(self, folder: Folder, files: Iterable[str]) -> None:
        """Make the names of files durable, and those of all folders above them."""
        for parent in sorted({folder_of(path) for path in files}):
            folder.sync_folder(parent)
            self._sync_chain(folder, parent)

    def _sync_chain(self, folder: Folder, path: str) -> None:
        synced: list[str] = []
        while path not in self._known:
            synced.append(path)
            path = folder_of(path)
            folder.sync_folder(path)
        with self._lock:
            self._known.update(synced)

    def forget(self) -> None:
        """Trust nothing any more: the storage may be another, or folders were removed."""
        with self._lock:
            self._known = {""}


def make_durable(folder: Folder, sinks: list[ParcelSink], names: DurableNames) -> None:
    """Return when all that sinks wrote is durable. Raises OSError; then none of it counts."""
    if sum(sink.piece_count for sink in sinks) <= KEPT_OPEN_FILES_MAX:
        paths = [path for sink in sinks for path, _ in sink.kept]
        for sink in sinks:
            sink.sync()
            sink.release()
        names.sync_for(folder, paths)
        return
    # A close may report what a write could not (NFS, quota), so files close before the sync.
    for sink in sinks:
        sink.release()
    folder.sync_all(path for sink in sinks for path in sink.paths())
