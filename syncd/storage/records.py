"""What a storage says of its own rolls, as bytes: so that it can be understood without a journal.

Owns: the form of the records, and that nothing malformed is believed: they are read from a disk
that anybody may have written to. Must not: touch a disk.

A record is one line of text (what it is, its length and its XXH128) and then msgpack. The list of
parcels is a row of entries, each with a digest of its own, because it grows while parcels come in;
it ends where the first entry is not whole.
"""

import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import msgpack
import xxhash

from syncd.limits import PARCEL_PIECES_MAX, ROLL_FILES_MAX, UTC_MS_MAX
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import (
    FileEntry,
    FileKind,
    Inventory,
    Trust,
    file_from_plain,
    file_to_plain,
)
from syncd.roll.names import check_names, check_top
from syncd.roll.parcels import ParcelPlan
from syncd.storage.hashing import PIECE_DIGEST_BYTES

_WORD = b"syncd-record"
_VERSION = 1
_HEAD_BYTES_MAX = 128
_ENTRY = struct.Struct(">II")  # parcel number, how many pieces
_CHECK_BYTES = 8
_INT64_MAX = (1 << 63) - 1
_KEYS_MAX = 16
# A file is two lists, and one more for each digest: 25 bytes for the first two, 16 for another.
_BYTES_PER_LIST_MIN = 8
_LISTS_BESIDE = 8


class RecordError(ValueError):
    """A record is not what syncd wrote; it says nothing, whatever it says."""


@dataclass(frozen=True, slots=True)
class RollRecord:
    """An unfinished roll: what it consists of, and the peer that it comes from."""

    inventory: Inventory
    peer: str


@dataclass(frozen=True, slots=True)
class PublishedRecord:
    """A published roll.

    evidence: the manifests and lists that lie in it, with the generation that publishing added.
    digests: XXH128 of each of inventory.files as it was proved; b"" where none was kept.
    """

    inventory: Inventory
    peer: str
    evidence: tuple[FileEntry, ...]
    digests: tuple[bytes, ...]
    published_utc_ms: int

    def media(self) -> Iterator[FileEntry]:
        """Yield the media with the digests they must have: the fast one alone, if it was kept."""
        for entry, digest in zip(self.inventory.files, self.digests, strict=True):
            if entry.kind is FileKind.MEDIA:
                kept = (Digest(Algorithm.XXH128, digest),) if digest else entry.digests
                yield replace(entry, digests=kept)


def roll_record(record: RollRecord) -> bytes:
    """Write the record of an unfinished roll."""
    return _write(b"roll", {"peer": record.peer, **_inventory_to_plain(record.inventory)})


def read_roll_record(data: bytes, roll_id: str) -> RollRecord:
    """Read what roll_record wrote for that roll. Raises RecordError."""
    plain = _read(b"roll", data)
    return RollRecord(_inventory_from_plain(plain, roll_id), _text(plain, "peer"))


def published_record(record: PublishedRecord) -> bytes:
    """Write the record of a published roll."""
    plain = {
        "peer": record.peer,
        "evidence": _Files(record.evidence),
        "digests": record.digests,
        "published_utc_ms": record.published_utc_ms,
        **_inventory_to_plain(record.inventory),
    }
    return _write(b"published", plain)


def read_published_record(data: bytes, roll_id: str) -> PublishedRecord:
    """Read what published_record wrote for that roll. Raises RecordError."""
    plain = _read(b"published", data)
    inventory = _inventory_from_plain(plain, roll_id)
    match plain:
        case {"evidence": list(evidence), "digests": list(digests), "published_utc_ms": int(at)}:
            pass
        case _:
            raise RecordError("it lacks what a published roll has")
    lengths = {len(digest) if isinstance(digest, bytes) else -1 for digest in digests}
    if len(digests) != len(inventory.files) or not lengths <= {0, PIECE_DIGEST_BYTES}:
        raise RecordError("its digests do not fit its files")
    try:
        entries = tuple(_file(entry) for entry in evidence)
    except ValueError as error:
        raise RecordError(str(error)) from error
    _check_paths(inventory, [entry.path for entry in entries])
    if not 0 <= at <= UTC_MS_MAX:
        raise RecordError("it was published at no time that there is")
    return PublishedRecord(inventory, _text(plain, "peer"), entries, tuple(digests), at)


def parcel_entries(parcels: Mapping[int, bytes]) -> bytes:
    """Write entries for durable parcels: number to 16 bytes per piece."""
    return b"".join(_entry(number, digests) for number, digests in parcels.items())


def read_parcel_entries(data: bytes, plan: ParcelPlan) -> dict[int, bytes]:
    """Read entries up to the first that is not whole or cannot be; the last of a number counts."""
    found: dict[int, bytes] = {}
    start = 0
    while start + _ENTRY.size <= len(data):
        number, pieces = _ENTRY.unpack_from(data, start)
        if pieces > PARCEL_PIECES_MAX:
            break
        end = start + _ENTRY.size + pieces * PIECE_DIGEST_BYTES
        body = data[start:end]
        if data[end : end + _CHECK_BYTES] != xxhash.xxh3_64_digest(body):
            break
        if number < plan.count and pieces == len(plan.pieces(number)):
            found[number] = body[_ENTRY.size :]
        start = end + _CHECK_BYTES
    return found


def xxh128_of(digests: tuple[Digest, ...]) -> bytes:
    """Return the XXH128 among the digests of one file, b"" if there is none."""
    return next((d.value for d in digests if d.algorithm is Algorithm.XXH128), b"")


def _entry(number: int, digests: bytes) -> bytes:
    body = _ENTRY.pack(number, len(digests) // PIECE_DIGEST_BYTES) + digests
    return body + xxhash.xxh3_64_digest(body)


def _write(kind: bytes, plain: dict[str, Any]) -> bytes:
    body = _packed(plain)
    digest = xxhash.xxh3_128_hexdigest(body).encode()
    return b"%s %d %s %d %s\n%s" % (_WORD, _VERSION, kind, len(body), digest, body)


@dataclass(frozen=True, slots=True)
class _Files:
    """Files that become a list in a record, one by one: as lists they take ten times as much."""

    entries: tuple[FileEntry, ...]


def _packed(plain: dict[str, Any]) -> bytearray:
    packer = msgpack.Packer()
    body = bytearray(packer.pack_map_header(len(plain)))
    for key, value in plain.items():
        body += packer.pack(key)
        if not isinstance(value, _Files):
            body += packer.pack(value)
            continue
        body += packer.pack_array_header(len(value.entries))
        for entry in value.entries:
            body += packer.pack(file_to_plain(entry))
    return body


def _read(kind: bytes, data: bytes) -> dict[str, Any]:
    head, _, body = data[:_HEAD_BYTES_MAX].partition(b"\n")
    body = data[len(head) + 1 :]
    digest = xxhash.xxh3_128_hexdigest(body).encode()
    if head != b"%s %d %s %d %s" % (_WORD, _VERSION, kind, len(body), digest):
        raise RecordError("it is not as it was written, or of another kind")
    lists = _Lists(len(body))
    try:
        plain = msgpack.unpackb(
            body,
            list_hook=lists.take,
            object_hook=lists.take_map,
            max_array_len=ROLL_FILES_MAX,
            max_map_len=_KEYS_MAX,
            max_ext_len=0,
        )
    except (ValueError, MemoryError, msgpack.UnpackException) as error:
        raise RecordError(f"it cannot be read ({error})") from error
    if not isinstance(plain, dict):
        raise RecordError("it holds no map")
    return plain


class _Lists:
    """Counts lists as they are read: a byte can promise one, and one takes 56 bytes or more.

    The record itself is the only map.
    """

    def __init__(self, body_bytes: int) -> None:
        self._has_map = False
        self._left = _LISTS_BESIDE + body_bytes // _BYTES_PER_LIST_MIN

    def take(self, items: list[Any]) -> list[Any]:
        self._left -= 1
        if self._left < 0:
            raise ValueError("more lists than its files can have")
        return items

    def take_map(self, plain: dict[str, Any]) -> dict[str, Any]:
        if self._has_map:
            raise ValueError("a map in it")
        self._has_map = True
        return plain


def _inventory_to_plain(inventory: Inventory) -> dict[str, Any]:
    return {
        "day": inventory.day,
        "name": inventory.name,
        "trust": inventory.trust.value,
        "files": _Files(inventory.files),
        "empty_folders": list(inventory.empty_folders),
    }


def _inventory_from_plain(plain: Mapping[str, Any], roll_id: str) -> Inventory:
    """Build the inventory and check all that a stranger's is checked for. Raises RecordError."""
    folders = plain.get("empty_folders")
    files = plain.get("files")
    if not isinstance(files, list) or not isinstance(folders, list):
        raise RecordError("it has no list of files")
    if any(not isinstance(path, str) for path in folders):
        raise RecordError("a folder in it has no name")
    try:
        inventory = Inventory(
            _text(plain, "day"),
            _text(plain, "name"),
            tuple(_file(entry) for entry in files),
            tuple(folders),
            Trust(_text(plain, "trust")),
        )
    except ValueError as error:
        raise RecordError(str(error)) from error
    if "/" in inventory.day or "/" in inventory.name:
        raise RecordError("a day and a roll are one folder each")
    if inventory.roll_id != roll_id:
        raise RecordError("its files do not give the roll's id")
    _check_paths(inventory, [entry.path for entry in inventory.files])
    return inventory


def _file(plain: Any) -> FileEntry:
    """Read one file. Raises ValueError, also for numbers that no file has and no journal holds."""
    entry = file_from_plain(plain)
    if not 0 <= entry.size_bytes <= _INT64_MAX or abs(entry.mtime_ns) > _INT64_MAX:
        raise ValueError("a size or a time in it is none that a file can have")
    return entry


def _check_paths(inventory: Inventory, paths: list[str]) -> None:
    top = f"{inventory.day}/{inventory.name}" if inventory.day else inventory.name
    folders = [f"{top}/{path}" for path in inventory.empty_folders]
    problems = check_top(inventory.day, inventory.name)
    problems = problems or check_names([f"{top}/{path}" for path in paths], folders=folders)
    if problems:
        raise RecordError(problems[0].problem)


def _text(plain: Mapping[str, Any], key: str) -> str:
    value = plain.get(key)
    if not isinstance(value, str):
        raise RecordError(f"its {key} is no text")
    return value
