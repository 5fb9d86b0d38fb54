"""Is it the source that is wrong? Asked by a fetch, whose source is another box's storage.

Owns: asking that box to read a file again of which other bytes came than the evidence says.
Must not: compare anything itself; storage/rechecking.py there does.
"""

from syncd.errors import HeldError, PeerRefusedError
from syncd.journal import notices
from syncd.journal.journal import Journal
from syncd.journal.rolls import RollRow
from syncd.ports import PeerCalls, Ports
from syncd.roll.stages import HeldCode
from syncd.wire.messages import Doubt, DoubtAnswer

ASK_AGAIN_S = 1.0
# What a published file that is not as it was looks like from the lane that reads it.
_DOUBTFUL = frozenset({HeldCode.SOURCE_CHANGED, HeldCode.FILE_MISSING})


class Doubts:
    """What was wrong with files of one roll while it was fetched, put to the box it comes from."""

    def __init__(self, calls: PeerCalls, journal: Journal, ports: Ports, row: RollRow) -> None:
        self._calls = calls
        self._journal = journal
        self._ports = ports
        self._row = row
        self._seq = 0
        self._settled: set[str] = set()

    def begin(self) -> None:
        """Take up from here: what was found before was asked before. Blocks."""
        with self._journal.read() as db:
            self._seq = notices.last_seq(db)

    async def settle(self) -> None:
        """Ask for all files that were read back wrong since. Raises HeldError if one is so there.

        Nothing is decided if the other box does not know the question, or finds its file good.
        """
        for path in await self._ports.disk.aside(self._new_paths):
            await self._ask(path)

    async def settle_error(self, error: HeldError) -> None:
        """Ask for the file that a lane could not read, once; raises error if that is no help."""
        if error.code not in _DOUBTFUL or not error.path or error.path in self._settled:
            raise error
        self._settled.add(error.path)
        if not await self._ask(error.path):
            raise error

    def _new_paths(self) -> list[str]:
        """Return files that are asked for again because they were read back wrong. Blocks."""
        with self._journal.read() as db:
            ids, kinds = [self._row.roll_id], ["resend"]
            rows = notices.after(db, self._seq, roll_ids=ids, kinds=kinds)
            self._seq = notices.last_seq(db)
        return sorted({str(row.body["data"].get("path", "")) for row in rows} - {""})

    async def _ask(self, path: str) -> bool:
        """Have the other box read a file again; tell whether it did. Raises HeldError."""
        question = Doubt(roll_id=self._row.roll_id, path=path)
        while True:
            try:
                answer: DoubtAnswer = await self._calls.ask(question)
            except PeerRefusedError:
                return False  # an older syncd, or the roll is not there any more
            if answer.kind != "wait":
                break
            await self._ports.clock.sleep(ASK_AGAIN_S)
        if answer.kind == "wrong":
            code, said = HeldCode(answer.code), f"{self._row.peer}: {answer.message}"
            raise HeldError(code, said, remedy="", path=answer.path or path)
        return True
