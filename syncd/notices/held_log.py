"""The daemon's log of held rolls: a line when one is held, and one when it no longer is.

Owns: when which line is said. Must not: hold a roll, or say anything that is not committed.

It hears of commits, and reads what they said in the outbox. The same reason again, in other words,
is no new line; a roll that is held and released over and over has a few lines an hour.
"""

import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass

from syncd.journal import notices
from syncd.journal.journal import Journal, JournalError
from syncd.journal.notices import NoticeRow
from syncd.limits import HELD_LOGGED_PER_HOUR, HELD_LOGGED_ROLLS_MAX
from syncd.ports import Clock
from syncd.roll.names import printable

log = logging.getLogger(__name__)

HOUR_S = 3600.0


@dataclass(slots=True)
class _Said:
    """What was said of one roll: the reason for which it is held (None: for none), how often."""

    since_s: float
    code: str | None = None
    times: int = 0
    is_last_said: bool = False


class HeldLog:
    """Says which rolls of a journal are held from now on, and which no longer. Thread-safe."""

    def __init__(self, journal: Journal, clock: Clock) -> None:
        self._journal = journal
        self._clock = clock
        self._said: dict[str, _Said] = {}
        self._seq: int | None = None
        with suppress(JournalError), journal.read() as db:
            self._seq = notices.last_seq(db)

    @asynccontextmanager
    async def written(self) -> AsyncIterator[None]:
        """Write it until the end of the block."""
        unsubscribe = self._journal.subscribe(self._look)
        try:
            yield
        finally:
            unsubscribe()

    def _look(self) -> None:
        rows: list[NoticeRow] = []
        try:
            with self._journal.read() as db:  # its lock makes each event ours once
                if self._seq is None:
                    self._seq = notices.last_seq(db)
                rows = notices.after(db, self._seq)
                self._seq = rows[-1].seq if rows else self._seq
        except JournalError:
            return  # its own trouble is logged; what was not read is said after the next commit
        for row in rows:
            self._say(row)

    def _say(self, row: NoticeRow) -> None:
        if row.body["roll"] is None:
            return
        roll_id, stage = row.body["roll"]["id"], row.body["stage"]
        name = printable(f"{row.body['roll']['day']}/{row.body['roll']['name']}")
        said = self._said.get(roll_id)
        if row.kind == "held":
            self._say_held(self._of(roll_id), name, row.body["data"])
        elif said is not None and said.code is not None and stage != "held":
            said.code = None
            if said.is_last_said:
                log.info("%s is held no longer.", name)

    def _say_held(self, said: _Said, name: str, data: dict[str, str | None]) -> None:
        if said.code == data["code"]:
            return
        said.code = data["code"]
        said.times += 1
        said.is_last_said = said.times <= HELD_LOGGED_PER_HOUR
        if said.is_last_said:
            file = f" {printable(data['path'])}" if data["path"] else ""
            more = " (no more of it within the hour)" if said.times == HELD_LOGGED_PER_HOUR else ""
            message = printable(data["message"] or "")
            log.warning("%s is held, %s%s: %s%s", name, said.code, file, message, more)

    def _of(self, roll_id: str) -> _Said:
        now_s = self._clock.monotonic_s()
        said = self._said.pop(roll_id, None) or _Said(now_s)
        if now_s - said.since_s > HOUR_S:
            said.since_s, said.times = now_s, 0
        if len(self._said) >= HELD_LOGGED_ROLLS_MAX:
            del self._said[next(iter(self._said))]
        self._said[roll_id] = said  # the newest one last
        return said
