"""Reading a source: what changed, vanished or cannot be read is told by name, never sent."""

import errno
import hashlib

import pytest
import xxhash

from syncd.errors import HeldError
from syncd.limits import KIB, MIB
from syncd.roll.digests import Algorithm
from syncd.roll.stages import HeldCode
from syncd.storage.reading import RollReader, hash_file, is_same_time
from tests.storage.rig import DAY, SOURCE, Rig, footage


def _read(reader: RollReader, number: int, *, step: int = 64 * KIB) -> tuple[bytes, bytes]:
    parcel = reader.open(number)
    found = bytearray()
    try:
        view = memoryview(bytearray(step))
        while count := parcel.read_into(view):
            found += view[:count]
        return bytes(found), parcel.digests()
    finally:
        parcel.close()


@pytest.mark.parametrize("step", [1000, 64 * KIB, 4 * MIB])
def test_a_parcel_is_its_pieces_in_order_with_a_digest_each(step: int) -> None:
    """Whatever the size of the buffer, the bytes and the digests are the same."""
    rig = Rig(footage(small=5, big_bytes=17 * MIB))
    reader = rig.reader()
    for number in range(rig.plan.count):
        pieces = [
            rig.files[rig.inventory.files[p.file_index].path][
                p.offset_bytes : p.offset_bytes + p.length_bytes
            ]
            for p in rig.plan.pieces(number)
        ]
        data, digests = _read(reader, number, step=step)
        assert data == b"".join(pieces)
        assert digests == b"".join(xxhash.xxh3_128_digest(piece) for piece in pieces)


def _change(rig: Rig, path: str, how: str) -> None:
    folder = rig.disk.open_folder(f"{SOURCE}/{DAY}/A012")
    mtime_ns = next(e.mtime_ns for e in rig.inventory.files if e.path == path)
    if how in {"gone", "link"}:
        folder.remove_file(path)
        if how == "link":
            folder.make_link(path, "/etc/passwd")
        return
    file = folder.open_write(path)
    if how == "grown":
        file.write([memoryview(b"more")], len(rig.files[path]))
        file.set_mtime(mtime_ns)
    else:
        file.set_mtime(mtime_ns + 1)


@pytest.mark.parametrize(
    ("how", "code"),
    [
        ("grown", HeldCode.SOURCE_CHANGED),
        ("touched", HeldCode.SOURCE_CHANGED),
        ("link", HeldCode.SOURCE_CHANGED),
        ("gone", HeldCode.FILE_MISSING),
    ],
)
def test_a_file_that_is_not_as_it_was_is_named(how: str, code: HeldCode) -> None:
    """Size, time and kind are compared with the inventory when the file is opened."""
    rig = Rig(footage())
    path = "Stills/A012_00002.dpx"
    _change(rig, path, how)

    with pytest.raises(HeldError) as raised:
        _read(rig.reader(), 0)

    assert (raised.value.code, raised.value.path) == (code, path)


@pytest.mark.parametrize("how", ["grown", "touched"])
def test_a_file_that_changes_while_it_is_read_is_noticed(how: str) -> None:
    """It is compared once more after the last byte."""
    rig = Rig(footage(small=0, big_bytes=MIB))
    number = rig.plan.parcels_of_file(1)[0]
    parcel = rig.reader().open(number)
    parcel.read_into(memoryview(bytearray(KIB)))
    _change(rig, "Clips/A012C001.mov", how)

    with pytest.raises(HeldError) as raised:
        parcel.read_into(memoryview(bytearray(MIB)))
    assert raised.value.code is HeldCode.SOURCE_CHANGED


def test_a_source_that_fails_or_goes_away_is_unreadable_not_changed() -> None:
    """That cures itself when the source is back."""
    rig = Rig(footage())
    rig.disk.fail_next("read", errno.EIO)
    with pytest.raises(HeldError) as raised:
        _read(rig.reader(), 0)
    assert raised.value.code is HeldCode.SOURCE_UNREADABLE

    reader = rig.reader()
    rig.disk.take_away(SOURCE)
    with pytest.raises(HeldError) as raised:
        _read(reader, 0)
    assert raised.value.code is HeldCode.SOURCE_UNREADABLE
    rig.disk.bring_back(SOURCE)
    assert _read(reader, 0)


def test_a_close_that_fails_hides_nothing_and_leaves_nothing_open() -> None:
    """A file system that died fails each close: at a file's end it is the source, else no news."""
    rig = Rig(footage())
    reader = rig.reader()
    rig.disk.fail_next("close", errno.EIO)
    with pytest.raises(HeldError) as raised:
        _read(reader, 0)
    assert raised.value.code is HeldCode.SOURCE_UNREADABLE

    rig.disk.fail_next("read", errno.EIO)
    rig.disk.fail_next("close", errno.EIO)
    with pytest.raises(HeldError) as raised:
        _read(reader, 0)
    assert "Input/output error" in str(raised.value)
    reader.close()
    with pytest.raises(HeldError):
        reader.open(0)


def test_a_closed_roll_is_not_opened_again_by_a_slow_lane() -> None:
    """A parcel that is being read may end; a new one is refused with a reason."""
    rig = Rig(footage())
    reader = rig.reader()
    parcel = reader.open(0)
    reader.close()
    assert parcel.read_into(memoryview(bytearray(KIB)))
    parcel.close()
    with pytest.raises(HeldError):
        reader.open(0)


def test_a_whole_file_is_hashed_in_several_ways_at_once() -> None:
    """Against the hash functions themselves, over a file of several reads and an odd tail."""
    rig = Rig(footage(small=0, big_bytes=9 * MIB + 77))
    path = "Clips/A012C001.mov"
    folder = rig.disk.open_folder(f"{SOURCE}/{DAY}/A012")
    algorithms = (Algorithm.SHA1, Algorithm.XXH64)

    for past_cache in (False, True):
        sha1, xxh64 = hash_file(
            rig.disk, folder, path, algorithms, roll="D/A012", past_cache=past_cache
        )
        expected = hashlib.sha1(rig.files[path], usedforsecurity=False)
        assert sha1.text == expected.hexdigest()
        assert xxh64.text == xxhash.xxh64(rig.files[path]).hexdigest()
    with pytest.raises(HeldError):
        hash_file(rig.disk, folder, "Clips/none.mov", algorithms, roll="D/A012")


def test_times_are_compared_as_coarsely_as_the_file_system_keeps_them() -> None:
    """A full second may stand for any time within it; an exact time only for itself."""
    exact = 1_773_000_000_123_456_789
    assert is_same_time(exact, exact)
    assert is_same_time(1_773_000_000_000_000_000, exact)
    assert is_same_time(1_773_000_000_123_456_700, exact)
    assert not is_same_time(exact + 1, exact)
    assert not is_same_time(exact + 3_000_000_000, exact)
