"""Rolls for the landing's tests, made on a real disk, with evidence by another code path.

The lists are written here in the Media Hash List 1.1 form (../shared/standards/mhl-1.1.md) and as
`xxhsum` prints them; both are finished forms that other tools write, not ours.
"""

import os
from pathlib import Path

import xxhash

DAY = "2026-03-14_D12"
CLIPS = {"CLIPS/A012C001.mov": b"one" * 1000, "CLIPS/A012C002.mov": b"two" * 1000}


class TestClock:
    """Time that passes when the test says so."""

    __test__ = False

    def __init__(self) -> None:
        self.now_s = 1000.0

    def monotonic_s(self) -> float:
        return self.now_s

    def utc_ms(self) -> int:
        return 1_773_500_000_000 + int(self.now_s * 1000)

    async def sleep(self, seconds: float) -> None:
        self.now_s += seconds


def write_clips(landing: Path, name: str, clips: dict[str, bytes] | None = None) -> Path:
    """Write a roll without evidence; return its folder."""
    roll = landing / DAY / name
    for path, data in (CLIPS if clips is None else clips).items():
        (roll / path).parent.mkdir(parents=True, exist_ok=True)
        (roll / path).write_bytes(data)
    return roll


def media_hash_list(roll: Path, *, leave_out: tuple[str, ...] = ()) -> str:
    """Return a Media Hash List 1.1 over all files of a roll."""
    hashes = "".join(
        f"<hash><file>{path.relative_to(roll).as_posix()}</file>"
        f"<size>{path.stat().st_size}</size>"
        "<lastmodificationdate>2026-03-14T10:00:00Z</lastmodificationdate>"
        f"<xxhash64be>{xxhash.xxh64_hexdigest(path.read_bytes())}</xxhash64be>"
        "<hashdate>2026-03-14T10:05:00Z</hashdate></hash>\n"
        for path in sorted(roll.rglob("*"))
        if path.is_file()
        and path.suffix != ".mhl"
        and path.relative_to(roll).as_posix() not in leave_out
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<hashlist version="1.1">\n'
        "<creatorinfo><name>a person</name><username>dit</username><hostname>cart</hostname>"
        "<tool>a tool 1.0</tool><startdate>2026-03-14T10:00:00Z</startdate>"
        "<finishdate>2026-03-14T10:05:00Z</finishdate></creatorinfo>\n"
        f"{hashes}</hashlist>\n"
    )


def write_evidence(roll: Path, *, leave_out: tuple[str, ...] = ()) -> Path:
    """Write the list into the roll; return its path."""
    path = roll / f"{roll.name}_2026-03-14_100500.mhl"
    path.write_text(media_hash_list(roll, leave_out=leave_out))
    return path


def place_for(_day: str, name: str, _arrived_utc_ms: int) -> tuple[int, int | None]:
    """Give A rolls a better place."""
    return (10 if name.startswith("A") else 100), None


def touch_again(path: Path, data: bytes) -> None:
    """Write other content of a later time."""
    path.write_bytes(data)
    stamp = path.stat().st_mtime_ns + 1_000_000_000
    os.utime(path, ns=(stamp, stamp))
