"""The storage's marker, which anybody may have written."""

from typing import cast

from syncd.errors import HeldError
from syncd.ports import Folder
from syncd.storage.marker import read_marker
from tests.fuzz.said import check_said
from tests.fuzz.target import Target


class OneFile:
    """A folder in which every file holds the same."""

    def __init__(self, data: bytes) -> None:
        self.data = data

    def read_file(self, path: str, *, bytes_max: int) -> bytes:
        del path
        return self.data[:bytes_max]


def one(data: bytes) -> bool:
    """Try one input."""
    try:
        storage_id = read_marker(cast("Folder", OneFile(data)), "/mnt/array/rolls")
    except HeldError as error:
        check_said(error)
        return False
    assert storage_id.isprintable()
    storage_id.encode()
    return True


TARGET = Target(
    "marker",
    one,
    lambda: [b'{"syncd_storage": 1, "id": "%s"}\n' % (b"5a" * 16)],
    tokens=(
        b"[" * 2000, b'{"id":' * 700, b"9" * 3000, b"\\ud800", b"\xff", b"null", b"1e999", b"NaN",
    ),
)  # fmt: skip
