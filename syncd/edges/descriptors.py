"""Open files as something that runs out: few are kept, and who finds none left waits for one.

Owns: how many folders may be kept open, and the patience. Must not: open or close anything itself.
"""

import errno
import time
from collections.abc import Callable

PATIENCE_S = 10.0  # longer than a burst of a roll's files or of the board's readers
RETRY_S = 0.05
SHARE = 64  # of what may be open at once, one folder keeps this part: 1 of 64, 64 of 4096
KEPT_MAX = 64  # a roll of many small files stays in few folders at a time

_OUT_OF_FILES = frozenset({errno.EMFILE, errno.ENFILE})


def kept_folders_max() -> int:
    """Return how many folders below it one open folder may keep open."""
    try:
        import resource  # noqa: PLC0415 - there is none on Windows
    except ImportError:
        return KEPT_MAX
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY:
        return KEPT_MAX
    return min(KEPT_MAX, max(1, soft // SHARE))


def patiently(opening: Callable[[], int], let_go: Callable[[], None]) -> int:
    """Return what opening returns; while no descriptor is left, let go of some and wait.

    It blocks its thread: work pauses, and no roll is held because others have many files open.
    Raises OSError, out of files only after PATIENCE_S.
    """
    ends_s = time.monotonic() + PATIENCE_S
    while True:
        try:
            return opening()
        except OSError as error:
            if error.errno not in _OUT_OF_FILES or time.monotonic() > ends_s:
                raise
        let_go()
        time.sleep(RETRY_S)
