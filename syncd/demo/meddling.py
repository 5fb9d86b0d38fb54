"""How the demo flips a bit: in the storage's own file, behind the daemon's back, while it grows.

Owns: waiting for the right moment, and the one byte. Must not: touch a source or a published file.
"""

import os
import time
from dataclasses import dataclass
from pathlib import Path

from syncd.demo.truth import MadeRoll

PARCEL_BYTES = 16 * 1024 * 1024
OFFSET = 1_234_567
_POLL_S = 0.003


@dataclass(frozen=True, slots=True)
class Meddling:
    """What was done. path: the file, relative to the roll."""

    path: str
    offset: int
    before: int
    after: int

    def __str__(self) -> str:
        return f"{self.path}, byte {self.offset:,}: {self.before:#04x} became {self.after:#04x}"


def flip_while_growing(
    incoming: Path, source: Path, roll: MadeRoll, patience_s: float
) -> Meddling | None:
    """Flip a bit in the first clip whose first parcel is written while its last is not.

    incoming: where the roll grows. source: where it comes from. Returns None if no clip was seen
    in that state.
    """
    clips = sorted(p for p, t in roll.media.items() if t.size_bytes > 2 * PARCEL_BYTES)
    deadline_s = time.monotonic() + patience_s
    for clip in clips:
        growing = _Clip(incoming / clip, source / clip)
        while time.monotonic() < deadline_s and not growing.has_end():
            if growing.has_first_parcel():
                return _flip(incoming / clip, clip)
            time.sleep(_POLL_S)
    return None


class _Clip:
    """A clip that grows on the storage, beside its source."""

    def __init__(self, stored: Path, source: Path) -> None:
        self._stored = stored
        self._source = source
        self._size = source.stat().st_size

    def has_first_parcel(self) -> bool:
        """Tell whether the first parcel is written to its last byte."""
        return self._is_written(PARCEL_BYTES - 4096) and self._is_written(OFFSET - 64)

    def has_end(self) -> bool:
        """Tell whether the end is there: then the read-back may have begun."""
        return self._is_written(self._size - 4096)

    def _is_written(self, offset: int) -> bool:
        try:
            return _read(self._stored, offset) == _read(self._source, offset)
        except FileNotFoundError:
            return False


def _read(path: Path, offset: int) -> bytes:
    with path.open("rb") as file:
        file.seek(offset)
        return file.read(4096)


def _flip(path: Path, name: str) -> Meddling:
    with path.open("r+b") as file:
        file.seek(OFFSET)
        before = file.read(1)[0]
        file.seek(OFFSET)
        file.write(bytes([before ^ 0x01]))
        file.flush()
        os.fsync(file.fileno())
    return Meddling(name, OFFSET, before, before ^ 0x01)
