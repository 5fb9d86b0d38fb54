"""What a subscriber is to the relay: a name, what it wants to hear, and one attempt at a time."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Protocol

from syncd.journal.notices import NoticeRow

KINDS_DEFAULT = ("ready",)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one attempt.

    note: a line for the roll's history; empty if there is nothing worth saying.
    least_wait_s: the subscriber asked to be told nothing, of whichever roll, before that.
    is_gone: it asked never to be told again; nothing more is sent until a restart.
    """

    delivered: bool
    note: str = ""
    least_wait_s: float = 0.0
    is_gone: bool = False


class Subscriber(Protocol):
    """Someone who is told. Names must stay the same over restarts: the cursor hangs on them."""

    @property
    def name(self) -> str: ...

    @property
    def kinds(self) -> Collection[str]: ...

    async def deliver(self, notice: NoticeRow, path: str) -> Outcome:
        """Make one attempt. The same notice may come again, with the same notice_id.

        path: where the roll lies here, "" if it lies nowhere (or the notice is about none).
        """
