"""A small ext4 of its own for a test: an image file, mounted by loop, that fills and goes away."""

import os
import shutil
import time
from pathlib import Path

from syncd.limits import MIB
from tests.shell import run
from tests.small_ext4 import make_ext4


def why_no_loop() -> str:
    """Return what this machine lacks for mounting an image file; "" if nothing."""
    if os.geteuid() != 0:
        return "mounting needs root"
    for program in ("mkfs.ext4", "mount", "umount"):
        if shutil.which(program) is None:
            return f"no {program}: install e2fsprogs and mount"
    if not os.path.exists("/dev/loop-control"):
        return "no /dev/loop-control: the kernel has no loop devices, or the container is not given"
    return ""


class SmallDisk:
    """An ext4 of size_bytes in folder/image, mounted at folder/mount while in its context."""

    def __init__(self, folder: Path, size_bytes: int) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.path = folder / "mount"
        self._image = folder / "image"
        self.device = 0
        self.path.mkdir()
        make_ext4(self._image, size_bytes)

    def mount(self) -> None:
        """Mount it, for the first time or again."""
        if self.device:
            self._leave_behind_what_is_kept()
        run("mount", "-o", "loop", str(self._image), str(self.path))
        self.device = self.path.stat().st_dev

    def vanish(self) -> None:
        """Take it away at once, also from under open files; the empty folder below is seen then."""
        run("umount", "--lazy", str(self.path))

    def protect(self) -> None:
        """Mount it read-only, as a person does; nothing may be open for writing."""
        run("mount", "-o", "remount,ro", str(self.path))

    def fail(self) -> None:
        """Have the kernel do what it does after an error on the device: read-only from now on."""
        run("mount", "-o", "remount,abort", str(self.path))

    def free_bytes(self) -> int:
        """Return what can still be written."""
        status = os.statvfs(self.path)
        return status.f_bavail * status.f_frsize

    def fill(self, left_bytes: int = 0) -> Path:
        """Take all room but left_bytes; returns the file that takes it."""
        filler = self.path / "filler"
        size = self.free_bytes() - left_bytes
        with filler.open("wb") as file:
            while size > 0:
                try:
                    os.posix_fallocate(file.fileno(), os.fstat(file.fileno()).st_size, size)
                    break
                except OSError:
                    size -= MIB  # what is full first was the blocks that describe the file
        return filler

    def _leave_behind_what_is_kept(self) -> None:
        """Go on with a copy where somebody else on this machine keeps what was taken away.

        A mount namespace that was made meanwhile has the mount as well; mounting the image again
        would then give the same file system, as broken as it was.
        """
        for _ in range(20):
            if not run("losetup", "--associated", str(self._image)):
                return
            time.sleep(0.1)  # the kernel lets go of it when it gets round to it
        kept, self._image = self._image, self._image.with_suffix(".again")
        shutil.copyfile(kept, self._image)

    def __enter__(self) -> "SmallDisk":
        self.mount()
        return self

    def __exit__(self, *_: object) -> None:
        while self.path.is_mount():
            self.vanish()
