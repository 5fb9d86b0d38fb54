"""What the offload box tells its peer of rolls beside offering them.

Owns: that a source cannot be read or is missed, that a person ended a roll, and which other names
a roll has; each as often as it takes. Must not: decide any of it.
"""

import logging

from syncd.errors import HeldError, PeerRefusedError
from syncd.handoff.outgoing_book import OutgoingBook
from syncd.handoff.owners import WITHHELD
from syncd.journal.also import Also
from syncd.journal.rolls import RollRow
from syncd.journal.rows import Gone
from syncd.ports import PeerCalls, Ports
from syncd.roll.stages import HeldCode
from syncd.wire.messages import Called, CalledAnswer, Withhold

log = logging.getLogger(__name__)


class Telling:
    """Tells one peer. Every method but begin() and taken() raises PeerUnreachableError."""

    def __init__(self, peer: str, calls: PeerCalls, book: OutgoingBook, ports: Ports) -> None:
        self._peer = peer
        self._calls = calls
        self._book = book
        self._ports = ports
        self._source_told: dict[str, str] = {}
        self._unknown: set[tuple[str, Also]] = set()

    def begin(self) -> None:
        """Begin a session: what was told in the last one may not have been heard."""
        self._source_told.clear()
        self._unknown.clear()

    def taken(self, roll_id: str) -> None:
        """Take note that a roll goes on: what is wrong with its source next is told anew."""
        self._source_told.pop(roll_id, None)

    async def source_gone(self, roll_id: str, error: HeldError) -> None:
        """Say why a roll of which the peer has a part does not go on; each reason once.

        The next offer that can be made releases it there.
        """
        message = str(error).strip()
        if self._source_told.get(roll_id) == message:
            return
        self._source_told[roll_id] = message
        await self._calls.ask(
            Withhold(roll_id=roll_id, code=error.code, message=message, path=error.path or "")
        )

    async def held(self, row: RollRow) -> None:
        """Say that a roll is held for its source, whoever of this box has found that.

        What the peer itself said of it is not told back.
        """
        if row.held is None or row.held.code not in WITHHELD or row.gone is not None:
            return
        if row.held.message.startswith(f"{self._peer}: "):
            return
        error = HeldError(row.held.code, row.held.message, remedy="", path=row.held.path)
        try:
            await self.source_gone(row.roll_id, error)
        except PeerRefusedError as refusal:  # its storage or its journal is away
            log.debug("%s: %s", row.roll_id, refusal)

    async def all_due(self) -> None:
        """Tell of rolls whose folder is missed, of those that a person ended, and of names."""
        for row, older in await self._ports.disk.aside(self._book.leaving):
            if row.gone is Gone.ENDING:
                await self._ended(row, older)
            elif row.held is not None and row.held.code is HeldCode.SOURCE_UNREADABLE:
                error = HeldError(row.held.code, row.held.message, remedy="")
                await self.source_gone(row.roll_id, error)
        for roll_id, other in await self._ports.disk.aside(self._book.names_to_tell):
            if (roll_id, other) not in self._unknown:
                await self._called(roll_id, other)

    async def _ended(self, row: RollRow, older: tuple[str, ...]) -> None:
        code = HeldCode.SOURCE_UNREADABLE
        try:
            for roll_id in (row.roll_id, *older):
                await self._calls.ask(Withhold(roll_id=roll_id, code=code, is_over=True))
        except PeerRefusedError as error:  # its storage is away: asked again
            log.debug("%s: %s", row.roll_id, error)
        else:
            await self._ports.disk.aside(self._book.note_over, row.roll_id)

    async def _called(self, roll_id: str, other: Also) -> None:
        """Tell another name of a roll that has landed; it leads to the roll there, too."""
        question = Called(roll_id=roll_id, day=other.day, name=other.name)
        try:
            answer: CalledAnswer = await self._calls.ask(question)
        except PeerRefusedError as error:
            log.warning("%s is not called %s/%s: %s", roll_id, other.day, other.name, error)
            answer = CalledAnswer()
        if answer.path:
            await self._ports.disk.aside(self._book.note_called, roll_id, other, answer.path)
        else:  # the roll is not there just now; asked again in the next session
            self._unknown.add((roll_id, other))
