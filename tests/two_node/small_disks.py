"""A small file system of its own for each node: an ext4 image on a loop device, else tmpfs.

Owns: images, mounts, and taking them away. Must not: know what they are for.
"""

import os
from contextlib import suppress
from pathlib import Path

from tests.shell import ToolError, run, run_any
from tests.small_ext4 import make_ext4

KINDS = ("ext4", "tmpfs", "folder")


class NodeDisk:
    """A file system of size_bytes mounted at folder, owned by user. close() unmounts it.

    kind: ext4 (on a loop device), tmpfs, or folder where nothing can be mounted: then it is as
    large as the disk below it.
    """

    def __init__(self, folder: Path, size_bytes: int, user: int) -> None:
        self.folder = folder
        self._image = folder.with_suffix(".ext4")
        self.why: list[str] = []
        folder.mkdir(parents=True)
        self.kind = next(kind for kind in KINDS if self._make(kind, size_bytes, user))

    def _make(self, kind: str, size_bytes: int, user: int) -> bool:
        try:
            match kind:
                case "ext4":
                    self._ext4(size_bytes, user)
                case "tmpfs":
                    size = f"size={size_bytes},uid={user},gid={user},mode=755"
                    run("mount", "-t", "tmpfs", "-o", size, "syncd-test", str(self.folder))
        except (ToolError, OSError) as error:
            self.why.append(f"{kind}: {error}")
            return False
        return True

    def _ext4(self, size_bytes: int, user: int) -> None:
        make_ext4(self._image, size_bytes, user)
        run("mount", "-o", "loop", self._image, self.folder)

    @property
    def free_bytes(self) -> int:
        """What can still be written."""
        return os.statvfs(self.folder).f_bavail * os.statvfs(self.folder).f_frsize

    def close(self) -> None:
        """Unmount it; also when somebody still has a file open there."""
        if self.kind != "folder":
            unmount(self.folder)
        with suppress(FileNotFoundError):
            self._image.unlink()


def unmount(folder: Path) -> None:
    """Unmount folder, at the latest when the last file there is closed."""
    if run_any("umount", str(folder))[0] != 0:
        run_any("umount", "--lazy", str(folder))
