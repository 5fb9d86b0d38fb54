"""Valid inputs, changed a little: as bytes, and as the plain values that msgpack holds.

The same changes serve both runs: under hypothesis chance is its own and shrinks, under the
coverage-guided fuzzer it is seeded for each input.
"""

import random
from typing import Any

import msgpack

from tests.fuzz.target import Target

# Heads that promise more than comes, and what the format has beside plain values.
PACKED_TOKENS = (
    b"\xdd\xff\xff\xff\xff", b"\xdf\xff\xff\xff\xff", b"\xdb\xff\xff\xff\xff",
    b"\xc6\xff\xff\xff\xff", b"\xc9\xff\xff\xff\xff\x01", b"\xdc\xff\xff", b"\xde\xff\xff",
    b"\xd4\x05\x00", b"\xc7\x00\x05", b"\xd6\xff\x00\x00\x00\x00", b"\xc1",
    b"\xcb\x7f\xf8" + bytes(6),
    b"\x91" * 40, b"\x81\xa0" * 40, b"\xa1\xff", b"\xc4\x00", b"\xc0", b"\xc2", b"\xc3", b"\x80",
    b"\x90",
)  # fmt: skip
ODD: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 255, 256, 1 << 31, (1 << 63) - 1, 1 << 63, (1 << 64) - 1,
    -(1 << 63), 0.0, -0.0, 1e308, float("inf"), float("nan"), "", "\0", "a/b", "..", "\u202e",
    "\ufeff", "x" * 300, "é" * 200, b"", b"\0" * 16, b"x" * 33, [], {}, [[]], [[[[[[[[[]]]]]]]]],
    {"": None}, {"is": "Bye"}, [None] * 70, list(range(17)), {str(n): n for n in range(65)},
)  # fmt: skip


def mutated(target: Target, data: bytes, chance: random.Random) -> bytes:
    """Return data with one to four changes."""
    prefix, rest = data[: target.prefix_bytes], data[target.prefix_bytes :]
    for _ in range(chance.randint(1, 4)):
        is_plain = target.is_packed and chance.random() < 0.6
        changed = _plain_changed(rest, chance) if is_plain else None
        rest = _bytes_changed(target, rest, chance) if changed is None else changed
    if prefix and chance.random() < 0.1:
        prefix = bytes([chance.randint(0, 255)]) + prefix[1:]
    return (prefix + rest)[: target.bytes_max]


def _bytes_changed(  # noqa: PLR0911 - one way of changing each
    target: Target, data: bytes, chance: random.Random
) -> bytes:
    start = chance.randint(0, len(data))
    end = min(len(data), start + chance.randint(0, 12))
    tokens = target.tokens + (PACKED_TOKENS if target.is_packed else ())
    match chance.randint(0, 6):
        case 0:
            return data[:start] + data[end:]
        case 1:
            return data[:end] + data[start:end] + data[end:]
        case 2:
            return data[:start] + bytes(chance.randint(0, 255) for _ in range(3)) + data[end:]
        case 3 if tokens:
            return data[:start] + chance.choice(tokens) + data[start:]
        case 4 if tokens:
            return data[:start] + chance.choice(tokens) + data[end:]
        case 5:
            return data[:start]
    if start == len(data):
        return data + bytes([chance.randint(0, 255)])
    return data[:start] + bytes([data[start] ^ (1 << chance.randint(0, 7))]) + data[start + 1 :]


def _plain_changed(data: bytes, chance: random.Random) -> bytes | None:
    """Change one value of what data holds; None if it cannot be read or written."""
    try:
        changed = _value_changed(msgpack.unpackb(data, strict_map_key=False), chance)
        packed: bytes = msgpack.packb(changed)
    except (ValueError, TypeError, OverflowError, msgpack.UnpackException):
        return None
    return packed


def _value_changed(value: Any, chance: random.Random) -> Any:  # noqa: PLR0911 - as above
    if isinstance(value, dict) and value and chance.random() < 0.9:
        key = chance.choice(list(value))
        rest = {known: item for known, item in value.items() if known != key}
        match chance.randint(0, 9):
            case 0:
                return rest
            case 1:
                return {**rest, chance.choice(("", "is", "x" * 300, b"key", 7)): value[key]}
        return {**value, key: _value_changed(value[key], chance)}
    if isinstance(value, list) and value and chance.random() < 0.8:
        place = chance.randint(0, len(value) - 1)
        match chance.randint(0, 9):
            case 0:
                return value[:place] + value[place + 1 :]
            case 1:
                return value[:place] + value[place:] * 2
        return [*value[:place], _value_changed(value[place], chance), *value[place + 1 :]]
    match value:
        case int() if chance.random() < 0.5:
            return value + chance.choice((-1, 1, 1 << 31, -(1 << 31)))
        case str() | bytes() if chance.random() < 0.5:
            return value * 2 if chance.random() < 0.5 else value[: len(value) // 2]
    return chance.choice(ODD)
