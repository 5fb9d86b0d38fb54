"""An image file with an empty ext4 in it, to be mounted by loop as a disk that a test can fill."""

from pathlib import Path

from tests.shell import run


def make_ext4(image: Path, size_bytes: int, user: int = 0) -> None:
    """Make the image; its root belongs to user. Raises ToolError, OSError."""
    with image.open("wb") as file:
        file.truncate(size_bytes)
    owner = f"root_owner={user}:{user},lazy_itable_init=1,nodiscard"
    # No blocks are reserved for root, who runs the tests: full is full for everybody.
    run("mkfs.ext4", "-q", "-F", "-m", "0", "-E", owner, image)
