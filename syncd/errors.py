"""Failures that a person can act on: what happened, then what to do.

Our own mistakes are assertions, not these. One class where some caller acts differently;
the message does the rest. The same error serves the API (http_status) and the exit code.
"""

import errno
from pathlib import Path

from syncd.roll.stages import HeldCode

# In a remedy, of a roll that waits for a person's word, however its files look.
SAY_GO = "`syncd go`"
_DISK_TROUBLE = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EIO})


class SyncdError(Exception):
    """A failure the operator can act on.

    problem: what happened, naming the file, address or key; a full sentence.
    remedy: what to do about it; a full sentence.
    """

    http_status = 500
    exit_code = 1

    def __init__(self, problem: str, *, remedy: str) -> None:
        super().__init__(f"{problem} {remedy}")
        self.problem = problem
        self.remedy = remedy


class UsageError(SyncdError):
    """The caller asked for something that cannot be meant."""

    http_status = 400
    exit_code = 2


class RollUnknownError(SyncdError):
    """No roll answers to the name or id."""

    http_status = 404
    exit_code = 1


class RollAmbiguousError(UsageError):
    """Several rolls answer to the name; the message lists them."""

    http_status = 409


class NotPossibleError(SyncdError):
    """What was asked is understood, and cannot be: not for this roll now, or not on this box."""

    http_status = 409


class DaemonUnreachableError(SyncdError):
    """The daemon's API does not answer."""

    http_status = 503
    exit_code = 69


class DaemonBusyError(DaemonUnreachableError):
    """The daemon runs, and did not answer: nothing may be done in its place."""


class ConfigError(SyncdError):
    """A configuration key is unknown, missing or wrong; the message names the key."""

    exit_code = 78


STATE_DISK_REMEDY = (
    "Free space on its disk and see that the disk is well. Nothing was moved or changed; it is "
    "tried again by itself, by the service manager if syncd ends."
)


class StateDiskError(ConfigError):
    """The disk that holds the state folder is full or fails: the same start may work later."""

    exit_code = 75  # EX_TEMPFAIL: a service manager is to try again


class PeerUnreachableError(SyncdError):
    """The peer cannot be reached now, or the link to it broke: try again later."""

    http_status = 503


class PeerRefusedError(SyncdError):
    """The peer answered, and the answer was no. code: a word for scripts."""

    http_status = 403
    code = "refused"


class UnfitError(PeerRefusedError):
    """A paired peer sent what no box sends that is as it should be; it is written down."""

    code = "unfit"


class LinkLostError(PeerUnreachableError):
    """A lane's connection ended before its framed end; what was not confirmed travels again."""


class LinkEndedError(LinkLostError):
    """The other side closed the connection: its work is done, or it ends."""


class HeldError(SyncdError):
    """A roll will not move until a person acts, or its cause is gone.

    code: the reason, one of the stable codes.
    path: the file it is about, relative to the roll, or None for the roll as a whole.
    """

    http_status = 409

    def __init__(
        self, code: HeldCode, problem: str, *, remedy: str, path: str | None = None
    ) -> None:
        super().__init__(problem, remedy=remedy)
        self.code = code
        self.path = path


def is_disk_trouble(error: OSError) -> bool:
    """Tell a disk that is full or fails from what a person has set up wrongly."""
    return error.errno in _DISK_TROUBLE


def raise_if_disk_trouble(state: Path, error: OSError) -> None:
    """Raise StateDiskError if that is why the state folder cannot be used."""
    if is_disk_trouble(error):
        raise StateDiskError(
            f"The state folder {state} cannot be written: {error.strerror}.",
            remedy=STATE_DISK_REMEDY,
        ) from error


def first_of(error: BaseException) -> BaseException:
    """Return the first plain error in a group of groups, as several tasks end by one cause."""
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error
