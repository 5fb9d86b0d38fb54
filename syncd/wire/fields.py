"""What may stand in one field of a message: a check on the way out, the same check on the way in.

Owns: the kinds of field, and strict msgpack: no ext types, no NaN, no key twice, nothing after
the end, and a bound on how many lists and maps a body may hold, since one byte makes an object of
64. Must not: know any message; messages.py says which field holds what.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Protocol

import msgpack

from syncd.limits import PATH_BYTES_MAX
from syncd.roll.inventory import FileEntry, file_from_plain, file_to_plain
from syncd.said import said

CONTAINERS_MAX = 40_000  # 2,000 files with up to 16 digests each, and a little more
DIGESTS_PER_FILE_MAX = 16
INT64_MAX = (1 << 63) - 1
PLAIN_DEPTH_MAX = 6


class BadMessage(ValueError):  # noqa: N818 - it is what the sender sent, not what failed here
    """A body that is no valid message; the text names the message and the field."""


class Field(Protocol):
    """One kind of field. Both directions raise ValueError saying what is wanted."""

    def to_plain(self, value: Any) -> Any:
        """Check value and return what travels."""

    def from_plain(self, plain: Any) -> Any:
        """Check what came and return the value."""


@dataclass(frozen=True, slots=True)
class Text:
    """UTF-8 text of bytes_min to bytes_max bytes; if allowed is not empty, one of these."""

    bytes_max: int
    bytes_min: int = 0
    allowed: frozenset[str] = frozenset()

    def to_plain(self, value: Any) -> str:
        if not isinstance(value, str):
            raise ValueError(f"must be text, not {type(value).__name__}")  # noqa: TRY004
        size = len(value.encode())  # a lone surrogate is a ValueError here: it never travels
        if not self.bytes_min <= size <= self.bytes_max:
            raise ValueError(f"must have {self.bytes_min} to {self.bytes_max} bytes, not {size}")
        if self.allowed and value not in self.allowed:
            raise ValueError(f"must be one of {', '.join(sorted(self.allowed))}")
        return str(value)

    from_plain = to_plain


@dataclass(frozen=True, slots=True)
class Said:
    """A text for people: one of at most bytes_max bytes is taken, and shortened by said()."""

    bytes_max: int

    def to_plain(self, value: Any) -> str:
        return Text(self.bytes_max).to_plain(value)

    def from_plain(self, plain: Any) -> str:
        return said(self.to_plain(plain))


@dataclass(frozen=True, slots=True)
class HexText:
    """Exactly length lower-case hex digits, safe as a file name."""

    length: int

    def to_plain(self, value: Any) -> str:
        is_text = isinstance(value, str) and len(value) == self.length
        if not is_text or not set(value) <= set("0123456789abcdef"):
            raise ValueError(f"must be {self.length} lower-case hex digits")
        return str(value)

    from_plain = to_plain


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole number from low to high."""

    low: int = 0
    high: int = INT64_MAX

    def to_plain(self, value: Any) -> int:
        if type(value) is not int or not self.low <= value <= self.high:
            raise ValueError(f"must be a whole number from {self.low} to {self.high}")
        return value

    from_plain = to_plain


@dataclass(frozen=True, slots=True)
class Real:
    """A finite number from low to high."""

    low: float
    high: float

    def to_plain(self, value: Any) -> float:
        if type(value) not in (int, float) or not self.low <= value <= self.high:  # NaN fails
            raise ValueError(f"must be a number from {self.low} to {self.high}")
        return float(value)

    from_plain = to_plain


@dataclass(frozen=True, slots=True)
class Flag:
    """True or false."""

    def to_plain(self, value: Any) -> bool:
        if not isinstance(value, bool):
            raise ValueError("must be true or false")  # noqa: TRY004
        return value

    from_plain = to_plain


@dataclass(frozen=True, slots=True)
class Blob:
    """Raw bytes, bytes_min to bytes_max of them."""

    bytes_min: int
    bytes_max: int

    def to_plain(self, value: Any) -> bytes:
        if not isinstance(value, bytes) or not self.bytes_min <= len(value) <= self.bytes_max:
            raise ValueError(f"must be {self.bytes_min} to {self.bytes_max} raw bytes")
        return value

    from_plain = to_plain


@dataclass(frozen=True, slots=True)
class Choice:
    """One word of an enumeration."""

    words: type[StrEnum]

    def to_plain(self, value: Any) -> str:
        return self.from_plain(value).value

    def from_plain(self, plain: Any) -> StrEnum:
        if not isinstance(plain, str) or plain not in {word.value for word in self.words}:
            raise ValueError(f"must be one of {', '.join(word.value for word in self.words)}")
        return self.words(plain)


@dataclass(frozen=True, slots=True)
class Maybe:
    """Nothing, or what field says."""

    field: Field

    def to_plain(self, value: Any) -> Any:
        return None if value is None else self.field.to_plain(value)

    def from_plain(self, plain: Any) -> Any:
        return None if plain is None else self.field.from_plain(plain)


@dataclass(frozen=True, slots=True)
class Many:
    """A list of at most count_max of what field says; a tuple on our side."""

    field: Field
    count_max: int

    def to_plain(self, value: Any) -> list[Any]:
        return self._each(value, isinstance(value, tuple), self.field.to_plain)

    def from_plain(self, plain: Any) -> tuple[Any, ...]:
        return tuple(self._each(plain, isinstance(plain, list), self.field.from_plain))

    def _each(self, items: Any, is_list: bool, convert: Callable[[Any], Any]) -> list[Any]:
        if not is_list:
            raise ValueError(f"must be a list, not {type(items).__name__}")
        if len(items) > self.count_max:
            raise ValueError(f"may hold {self.count_max} entries, not {len(items)}")
        converted = []
        for place, item in enumerate(items):
            try:
                converted.append(convert(item))
            except ValueError as error:
                raise ValueError(f"entry {place}: {error}") from None
        return converted


@dataclass(frozen=True, slots=True)
class File:
    """One FileEntry; whether its path is safe to write is for roll/names.py to say."""

    def to_plain(self, value: Any) -> list[Any]:
        if not isinstance(value, FileEntry):
            raise ValueError("must be a file entry")  # noqa: TRY004
        _check_file(value)
        return file_to_plain(value)

    def from_plain(self, plain: Any) -> FileEntry:
        entry = file_from_plain(plain)
        _check_file(entry)
        return entry


def _check_file(entry: FileEntry) -> None:
    Text(PATH_BYTES_MAX, bytes_min=1).to_plain(entry.path)
    Whole().to_plain(entry.size_bytes)
    Whole(low=-INT64_MAX).to_plain(entry.mtime_ns)
    algorithms = {digest.algorithm for digest in entry.digests}
    if len(entry.digests) > DIGESTS_PER_FILE_MAX or len(algorithms) != len(entry.digests):
        raise ValueError("a file has at most one digest of each algorithm")


@dataclass(frozen=True, slots=True)
class PlainMap:
    """A map as JSON could hold it: text keys, plain values, a few levels deep."""

    def to_plain(self, value: Any) -> dict[str, Any]:
        if not isinstance(value, dict):
            raise ValueError("must be a map")  # noqa: TRY004
        _check_plain(value, PLAIN_DEPTH_MAX)
        return value

    from_plain = to_plain


def _check_plain(value: Any, depth_left: int) -> None:
    if depth_left == 0:
        raise ValueError(f"may be {PLAIN_DEPTH_MAX} levels deep")
    match value:
        case None | bool():
            return
        case str():
            value.encode()
        case int():
            Whole(low=-INT64_MAX).to_plain(value)
        case float() if math.isfinite(value):
            return
        case list():
            for item in value:
                _check_plain(item, depth_left - 1)
        case dict():
            for key, item in value.items():
                Text(255).to_plain(key)
                _check_plain(item, depth_left - 1)
        case _:
            raise ValueError(f"may not hold {type(value).__name__}")


def pack_plain(plain: Any) -> bytes:
    """Write plain values as msgpack."""
    packed: bytes = msgpack.packb(plain)
    return packed


def unpack_plain(body: bytes, *, array_max: int) -> Any:
    """Read exactly one msgpack object. Raises BadMessage, whatever the bytes are."""
    budget = _Budget(CONTAINERS_MAX)
    try:
        return msgpack.unpackb(
            body,
            strict_map_key=True,
            object_pairs_hook=budget.take_map,
            list_hook=budget.take_list,
            max_array_len=array_max,
            max_map_len=64,
            max_ext_len=0,
        )
    except (ValueError, msgpack.UnpackException) as error:
        reason = str(error) or type(error).__name__
        raise BadMessage(f"The body is not one well-formed msgpack object: {reason}.") from None


class _Budget:
    """Counts containers as they are read, and ends the reading when there are too many."""

    def __init__(self, left: int) -> None:
        self._left = left

    def take_list(self, items: list[Any]) -> list[Any]:
        self._left -= 1
        if self._left < 0:
            raise ValueError(f"more than {CONTAINERS_MAX} lists and maps")
        return items

    def take_map(self, pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        self.take_list(pairs)
        taken = dict(pairs)
        if len(taken) != len(pairs):
            raise ValueError("a key stands in a map twice")
        return taken
