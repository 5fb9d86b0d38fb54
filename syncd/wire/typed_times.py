"""When a code was tried on this box: <state>/tried.json, so that a restart gives nobody more tries.

Owns: the form of the file, and that it is durable before a try is made. Must not: know the codes.
Six digits under any digest are soon guessed by whoever reads the file: so it says when, and not
which. What was tried before a start counts for every code, as long as a box shows one.
"""

import json
import logging
from pathlib import Path

from syncd.edges.private_file import read_private, replace_private
from syncd.errors import STATE_DISK_REMEDY, SyncdError, raise_if_disk_trouble
from syncd.wire.pairing_code import CODE_VALID_S

log = logging.getLogger(__name__)

FILE_NAME = "tried.json"
TIMES_MAX = 64
_BYTES_MAX = 4096
_VALID_MS = round(CODE_VALID_S * 1000)


class TypedTimes:
    """The times of the tries that nobody has proved anything at, in milliseconds since 1970."""

    def __init__(self, state: Path) -> None:
        self._path = state / FILE_NAME
        self._times: list[int] = []

    def load(self, now_utc_ms: int) -> tuple[float, ...]:
        """Return for how many more seconds each try of before counts."""
        self._times = [at for at in _read(self._path) if 0 <= now_utc_ms - at < _VALID_MS]
        return tuple((_VALID_MS - now_utc_ms + at) / 1000 for at in self._times)

    def add(self, now_utc_ms: int) -> None:
        """Keep a try; durable on return. Raises SyncdError."""
        self._write([*self._times, now_utc_ms][-TIMES_MAX:])

    def take_back(self) -> None:
        """Keep the last one no longer: it was a good one. Raises SyncdError."""
        self._write(self._times[:-1])

    def _write(self, times: list[int]) -> None:
        try:
            replace_private(self._path, json.dumps(times).encode())
        except OSError as error:
            raise_if_disk_trouble(self._path.parent, error)
            raise SyncdError(
                f"{self._path} cannot be written: {error.strerror or error}. Nothing was proved to "
                "the other box.",
                remedy=f"{STATE_DISK_REMEDY} Then type the code again.",
            ) from error
        self._times = times


def _read(path: Path) -> list[int]:
    try:
        found = json.loads(read_private(path, bytes_max=_BYTES_MAX) or b"[]")
        return [int(at) for at in found][-TIMES_MAX:]
    except (OSError, ValueError, TypeError, OverflowError, RecursionError) as error:
        log.warning("%s cannot be read, so no try of before counts: %s", path, error)
        return []
