"""What lies on the storage and could not be taken up: which, why, and what a person can do.

Owns: that one thing which cannot be looked at stops no other, and is said: in `syncd check` as
long as it is so, and in the log a few times. Must not: touch the storage's contents, or hold rolls.
"""

import errno
import logging
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from syncd.ports import Clock
from syncd.repeats import Repeats
from syncd.rights import NOT_ALLOWED
from syncd.storage.area import Area
from syncd.storage.troubles import why

log = logging.getLogger(__name__)

NAMED_MAX = 5


@dataclass(frozen=True, slots=True)
class _Trouble:
    reason: str
    remedy: str


class Untaken:
    """The troubles of one round over the storage after another, each known by its path."""

    def __init__(self, area: Area, clock: Clock) -> None:
        self._area = area
        self._repeats = Repeats(log, clock)
        self._before: dict[str, _Trouble] = {}
        self._now: dict[str, _Trouble] = {}

    def begin(self) -> None:
        """Begin a round; what was found in the last one counts until this one is through."""
        self._now = {}

    def end(self) -> None:
        """End a round: what was not met again is no trouble any more."""
        self._before = self._now

    @contextmanager
    def trying(self, path: str) -> Iterator[None]:
        """Look at one thing of the storage; if that fails, note it and go on.

        Raises HeldError if the storage as a whole is not there: that is no trouble of one thing.
        """
        try:
            yield
        except FileNotFoundError:
            self._area.present()  # else it was taken away meanwhile; the next round sees what is
        except OSError as error:
            self._area.present()
            self.note(path, why(error), _remedy(error))

    def note(self, path: str, reason: str, remedy: str) -> None:
        """Note why something is not taken up; logged if it is new."""
        self._now[path] = _Trouble(reason, remedy)
        self._repeats.trouble(path, f"{self._area.path}/{path} is not taken up: {reason}. {remedy}")

    def problem(self) -> str:
        """Name what is not taken up, and why; "" if there is nothing."""
        troubles = self._before | self._now
        if not troubles:
            return ""
        each = [f"{path} ({trouble.reason})" for path, trouble in sorted(troubles.items())]
        more = f" and {len(each) - NAMED_MAX} more" if len(each) > NAMED_MAX else ""
        return (
            f"Rolls may be missing from the list: of the storage {self._area.path} these are not "
            f"taken up: {', '.join(each[:NAMED_MAX])}{more}."
        )

    def remedy(self) -> str:
        """Say what to do about it."""
        troubles = self._before | self._now
        return " ".join(dict.fromkeys(troubles[path].remedy for path in sorted(troubles)))


def _remedy(error: OSError) -> str:
    again = "it is tried again every minute."
    if error.errno in NOT_ALLOWED:
        return f"Let the user that syncd runs as read it (owner, permissions); {again}"
    if error.errno in {errno.ENOTDIR, errno.EISDIR, errno.ELOOP, errno.EINVAL}:
        return f"Something else lies where syncd keeps its records: move it away by hand; {again}"
    return f"See the system's log about this disk, and repair it; {again}"
