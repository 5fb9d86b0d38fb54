"""What the peer's notices mean for our own rolls: read in order, each taken once.

Owns: the cursor into the peer's outbox, kept in the same transaction as what a notice changes.
Must not: talk to subscribers; our own outbox does that.
"""

from collections.abc import Callable, Mapping
from typing import Any

from syncd.journal import also, leaving, notices, rolls, same, settings
from syncd.journal.journal import Connection, Journal
from syncd.journal.rolls import Origin
from syncd.limits import TIDINGS_WAIT_S
from syncd.ports import PeerCalls, Ports
from syncd.roll.stages import STAGE_ORDER, HeldCode, Stage, is_before
from syncd.wire.messages import Tiding, Tidings, TidingsAnswer

TEXT_LENGTH_MAX = 4096  # of what a peer may have us keep, a notice
FOLLOWED = {stage.value: stage for stage in STAGE_ORDER if STAGE_ORDER[stage] > 2}


class TidingsReader:
    """Follows one peer's notices by long-polling, from where we left off.

    resend: called with roll id and path when the storage asks for a file again.
    """

    def __init__(
        self,
        peer: str,
        calls: PeerCalls,
        journal: Journal,
        ports: Ports,
        resend: Callable[[str, str], None],
    ) -> None:
        self._peer = peer
        self._calls = calls
        self._journal = journal
        self._ports = ports
        self._resend = resend

    async def run(self) -> None:
        """Read until cancelled. Raises PeerUnreachableError or PeerRefusedError."""
        while True:
            after = await self._ports.disk.aside(self._cursor)
            answer = await self._calls.ask(Tidings(after=after, wait_s=TIDINGS_WAIT_S))
            for roll_id, path in await self._ports.disk.aside(self._take, answer):
                self._resend(roll_id, path)

    def _cursor(self) -> int:
        with self._journal.read() as db:
            return notices.cursor(db, self._subscriber)

    @property
    def _subscriber(self) -> str:
        return f"tidings:{self._peer}"

    def _take(self, answer: TidingsAnswer) -> list[tuple[str, str]]:
        """Apply all notices and move the cursor, in one transaction; return what to resend."""
        resends: list[tuple[str, str]] = []
        with self._journal.write() as db:
            key = f"journal-of:{self._peer}"
            if settings.get(db, key) != answer.journal_id:
                # The peer's journal is another one (a new machine): its numbering starts anew.
                was_known = settings.get(db, key) is not None
                settings.put(db, key, answer.journal_id)
                if was_known:
                    notices.set_cursor(db, self._subscriber, 0)
                    also.tell_anew(db)
                    return []
            for tiding in answer.notices:
                resends += self._apply(db, tiding)
                notices.set_cursor(db, self._subscriber, tiding.seq)
        return resends

    def _apply(self, db: Connection, tiding: Tiding) -> list[tuple[str, str]]:
        now = self._ports.clock.utc_ms()
        said = _text(tiding.body.get("note"))
        note = f"{self._peer}: {said}" if said else f"told by {self._peer}"
        stage = FOLLOWED.get(tiding.kind)
        if stage is not None:
            for followed in same.told_of(db, tiding.roll_id or ""):
                if followed.origin is Origin.LANDING:
                    _follow_stage(db, followed, stage, now, note)
            return []
        row = rolls.get(db, tiding.roll_id) if tiding.roll_id else None
        if row is None or row.origin is not Origin.LANDING or row.same_as or row.gone:
            # Of others' rolls, or of what was fetched, it has nothing to say here. Should one that
            # rests, or whose folder is missed, go on, the answer to its offer says how it is.
            return []
        if tiding.kind == same.SAME_KIND:
            _follow_other(db, row, _map(tiding.body.get("data")), now, note)
        elif tiding.kind == "held":
            data = _map(tiding.body.get("data"))
            message = f"{self._peer}: {_text(data.get('message'))}"
            path = _text(data.get("path")) or None
            rolls.hold(db, row.roll_id, _code(data), message, path, now_utc_ms=now)
        elif tiding.kind == "released":
            rolls.release(db, row.roll_id, now_utc_ms=now)
        elif tiding.kind == "resend":
            data = _map(tiding.body.get("data"))
            path = _text(data.get("path"))
            if rolls.has_path(db, row.roll_id, path):
                rolls.note(db, row.roll_id, note, now_utc_ms=now, kind="resend", data=data)
                return [(row.roll_id, path)]
        return []


def _follow_other(
    db: Connection, row: rolls.RollRow, data: Mapping[str, Any], now_utc_ms: int, note: str
) -> None:
    """Take a roll for the one with the same content on the storage: it is as far, now and later."""
    other_id = data.get("same_as")
    if not isinstance(other_id, str) or other_id == row.roll_id:
        return
    same.tell_as(db, row.roll_id, other_id)
    reached = FOLLOWED.get(str(data.get("stage"))) or Stage.READY
    for stage in FOLLOWED.values():
        if not is_before(stage, Stage.LANDED) and not is_before(reached, stage):
            _follow_stage(db, row, stage, now_utc_ms, note)


def _text(said: Any) -> str:
    """Return what a peer said as a text of a decent length."""
    return said[:TEXT_LENGTH_MAX] if isinstance(said, str) else ""


def _map(said: Any) -> dict[str, Any]:
    return said if isinstance(said, dict) else {}


def _code(data: dict[str, Any]) -> HeldCode:
    """Return why the peer holds a roll; what we do not know is some trouble of its storage."""
    said = data.get("code")
    if isinstance(said, str) and said in set(HeldCode):
        return HeldCode(said)
    return HeldCode.STORAGE_ERROR


def _follow_stage(
    db: Connection, row: rolls.RollRow, stage: Stage, now_utc_ms: int, note: str
) -> None:
    """Follow the storage's word; from landed on every byte is there, and no source is missed."""
    if STAGE_ORDER[stage] >= STAGE_ORDER[Stage.LANDED]:
        rolls.set_moved(db, row.roll_id, row.total_bytes)
        rolls.set_same_as(db, row.roll_id, None)
        leaving.set_gone(db, row.roll_id, None)
    rolls.set_stage(db, row.roll_id, stage, now_utc_ms=now_utc_ms, note=note)
