"""The hollow disk is as strict as a real one: what was not written, or written wrong, reads so."""

from collections.abc import Iterator
from pathlib import Path

import pytest
import xxhash

from syncd.ports import Folder, OpenFile
from tests.bench.hollow import HollowFolder, Ledger
from tests.bench.pattern import PERIOD_BYTES, Pattern

SIZE = 3 * PERIOD_BYTES + 77
NAME = "A001C001.mov"


def footage(length: int, offset: int = 0, name: str = NAME) -> bytearray:
    """Return what the pattern says."""
    data = bytearray(length)
    Pattern(name).fill(memoryview(data), offset)
    return data


def write(folder: Folder, data: bytes | bytearray, offset: int = 0) -> None:
    """Write to the clip."""
    file = folder.open_write(NAME)
    file.write([memoryview(data)], offset)
    file.close()


def read(file: OpenFile, length: int = SIZE + 1, offset: int = 0) -> bytearray:
    """Read from the clip; as much as there is."""
    data = bytearray(length)
    return data[: file.read_into(memoryview(data), offset)]


@pytest.fixture
def storage(tmp_path: Path) -> Iterator[Folder]:
    """Open a hollow storage."""
    folder = HollowFolder(str(tmp_path), Ledger())
    yield folder
    folder.close()


def test_the_pattern_differs_at_every_parcel_and_in_every_file() -> None:
    """Bytes of another place, or of another file, are never taken for the right ones."""
    parcels = {bytes(footage(4096, number << 24)) for number in range(5000)}
    files = {bytes(footage(4096, 0, f"A001C{number:03}.mov")) for number in range(100)}

    assert (len(parcels), len(files)) == (5000, 100)


def test_evidence_is_that_of_the_bytes() -> None:
    """The digest computed for the evidence is the digest of what is read."""
    assert Pattern(NAME).xxh64(SIZE) == xxhash.xxh64_hexdigest(bytes(footage(SIZE)))


def test_a_source_reads_as_its_pattern_at_every_offset(tmp_path: Path) -> None:
    """A sparse file on the landing is footage from its first byte to its last."""
    with (tmp_path / NAME).open("wb") as sparse:
        sparse.truncate(SIZE)
    source = HollowFolder(str(tmp_path), None)
    file = source.open_read(NAME)

    assert read(file) == footage(SIZE)
    assert read(file, 10, PERIOD_BYTES - 5) == footage(SIZE)[PERIOD_BYTES - 5 : PERIOD_BYTES + 5]
    file.close()
    source.close()


def test_what_was_written_right_reads_right_and_takes_no_room(
    storage: Folder, tmp_path: Path
) -> None:
    """In any order of writing; the disk holds none of it."""
    for start in (2 * PERIOD_BYTES, 0, PERIOD_BYTES):
        write(storage, footage(SIZE)[start : start + PERIOD_BYTES], start)
    write(storage, footage(SIZE)[3 * PERIOD_BYTES :], 3 * PERIOD_BYTES)
    file = storage.open_read(NAME, past_cache=True)

    assert read(file) == footage(SIZE)
    assert (tmp_path / NAME).stat().st_blocks == 0
    file.close()


def test_a_gap_that_was_never_written_reads_as_zeros(storage: Folder) -> None:
    """A parcel that was counted and not written would be found by reading back."""
    write(storage, footage(100), 0)
    write(storage, footage(SIZE)[300:400], 300)
    file = storage.open_read(NAME)

    assert read(file) == footage(100) + bytes(200) + footage(SIZE)[300:400]
    file.close()


def test_a_wrong_byte_reads_wrong_until_it_is_written_over(storage: Folder) -> None:
    """Nothing wrong is turned right by the harness."""
    wrong = footage(SIZE)
    wrong[1_000_000] ^= 1
    write(storage, wrong)
    file = storage.open_read(NAME)
    assert read(file) == wrong
    wrong[1_000_000] ^= 1

    write(storage, wrong[999_990:1_000_010], 999_990)

    assert read(file) == footage(SIZE)
    file.close()


def test_what_is_no_footage_is_kept_as_it_is(storage: Folder, tmp_path: Path) -> None:
    """Manifests, markers and lists lie on the real disk."""
    storage.make_new_file("0001.mhl", b"<hashlist/>")

    assert (tmp_path / "0001.mhl").read_bytes() == b"<hashlist/>"
    assert storage.read_file("0001.mhl", bytes_max=100) == b"<hashlist/>"
