"""What the peer's notices mean for our own rolls: read in order, each taken once.

Owns: the cursor into the peer's outbox, kept in the same transaction as what a notice changes; and
that a peer which says too much has our rolls as it said last, without a word for each change.
Must not: talk to subscribers; our own outbox does that.
"""

import json
from collections.abc import Callable, Mapping
from typing import Any

from syncd.handoff.changes import Changes
from syncd.handoff.owners import WITHHELD
from syncd.journal import also, astray, leaving, notices, rolls, same, settings, untold
from syncd.journal.journal import Connection, Journal
from syncd.journal.rolls import Origin
from syncd.limits import (
    PATH_BYTES_MAX,
    SAID_DATA_BYTES_MAX,
    TICK_S,
    TIDINGS_WAIT_S,
    TOLD_LATE_AT_ONCE,
)
from syncd.ports import PeerCalls, Ports
from syncd.roll.stages import STAGE_ORDER, HeldCode, Stage, is_before
from syncd.said import said
from syncd.wire.messages import Tiding, Tidings, TidingsAnswer

FOLLOWED = {stage.value: stage for stage in STAGE_ORDER if STAGE_ORDER[stage] > 2}


class TidingsReader:
    """Follows one peer's notices by long-polling, from where we left off.

    resend: called with roll id and path when the storage asks for a file again.
    told: how often what the peer says of its troubles is told here. What is beyond it changes the
    rolls all the same, and how they are then is told once there is room again.
    is_spent: tells of a roll that is held here for what the peer had us do for it; no word of the
    peer lets it go on, or asks for more, until it has landed.
    """

    def __init__(
        self,
        peer: str,
        calls: PeerCalls,
        journal: Journal,
        ports: Ports,
        resend: Callable[[str, str], None],
        *,
        told: Changes,
        is_spent: Callable[[str], bool] = lambda _: False,
    ) -> None:
        self._is_spent = is_spent
        self._peer = peer
        self._calls = calls
        self._journal = journal
        self._ports = ports
        self._resend = resend
        self._told = told

    async def run(self) -> None:
        """Read until cancelled. Raises PeerUnreachableError or PeerRefusedError."""
        while True:
            after = await self._ports.disk.aside(self._cursor)
            answer = await self._calls.ask(Tidings(after=after, wait_s=TIDINGS_WAIT_S))
            for roll_id, path in await self._ports.disk.aside(self._take, answer):
                self._resend(roll_id, path)
            if await self._ports.disk.aside(self._tell_late):
                await self._ports.clock.sleep(TICK_S)  # whoever says too much is read in no haste

    def _tell_late(self) -> bool:
        """Tell how rolls are of which too much was said; tell whether some are left."""
        if not self._told.is_left(self._peer):
            return True
        with self._journal.read() as db:
            waiting = untold.some(db, limit=TOLD_LATE_AT_ONCE)
        if not waiting:
            return False
        with self._journal.write() as db:
            for roll_id in waiting:
                if not self._told.take(self._peer):
                    break
                rolls.tell_late(db, roll_id, now_utc_ms=self._ports.clock.utc_ms())
            return bool(untold.some(db, limit=1))

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
        text = _text(tiding.body.get("note"))
        note = f"{self._peer}: {text}" if text else f"told by {self._peer}"
        stage = FOLLOWED.get(tiding.kind)
        if stage is not None:
            for followed in same.told_of(db, tiding.roll_id or ""):
                is_ours = followed.origin is Origin.LANDING and not _is_of_before(followed, stage)
                if is_ours and not self._is_too_much(followed, stage):
                    _follow_stage(db, followed, stage, now, note)
            return []
        if tiding.kind in astray.KINDS:
            for landed in _landed(db, tiding.roll_id):
                self._follow_astray(db, landed, tiding.kind, text)
            return []
        row = rolls.get(db, tiding.roll_id) if tiding.roll_id else None
        if row is None or row.origin is not Origin.LANDING or row.same_as or row.gone:
            # Of others' rolls, or of what was fetched, it has nothing to say here. Should one that
            # rests, or whose folder is missed, go on, the answer to its offer says how it is.
            return []
        if self._is_spent(row.roll_id):
            return []
        if tiding.kind == same.SAME_KIND:
            _follow_other(db, row, _map(tiding.body.get("data")), now, note)
            return []
        return self._trouble(db, row, tiding, note)

    def _follow_astray(self, db: Connection, row: rolls.RollRow, kind: str, text: str) -> None:
        """Take where a roll is; of what is said too often, no word."""
        quiet = not self._told.is_left(self._peer)
        now = self._ports.clock.utc_ms()
        if astray.follow(db, row, kind, text, box=self._peer, now_utc_ms=now, quiet=quiet):
            self._told.take(self._peer)

    def _is_too_much(self, row: rolls.RollRow, stage: Stage) -> bool:
        """Count a stage that a roll can reach again and again, as it may be sent anew."""
        is_again = stage is Stage.READING_BACK and is_before(row.stage, stage)
        return is_again and (self._is_spent(row.roll_id) or not self._told.take(self._peer))

    def _trouble(
        self, db: Connection, row: rolls.RollRow, tiding: Tiding, note: str
    ) -> list[tuple[str, str]]:
        """Take what a peer may say of a roll again and again; of what is too much, no word."""
        now = self._ports.clock.utc_ms()
        data = _map(tiding.body.get("data"))
        path = _path(data)
        quiet = not self._told.is_left(self._peer)
        is_change = False
        if tiding.kind in {"held", "released"} and _is_our_own(row, tiding.kind, data, self._peer):
            return []
        if tiding.kind == "held":
            text = f"{self._peer}: {_text(data.get('message'))}"
            is_change = rolls.hold(
                db, row.roll_id, _code(data), text, path or None, now_utc_ms=now, quiet=quiet
            )
        elif tiding.kind == "released":
            is_change = rolls.release(db, row.roll_id, now_utc_ms=now, quiet=quiet)
        elif tiding.kind == "resend" and _is_under_way(db, row, path):
            if self._told.take(self._peer):
                kept = _short(data, path)
                rolls.note(db, row.roll_id, note, now_utc_ms=now, kind="resend", data=kept)
            return [(row.roll_id, path)]
        if is_change:
            self._told.take(self._peer)
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


def _landed(db: Connection, roll_id: str | None) -> list[rolls.RollRow]:
    """Return our rolls that are meant by an id, and that the storage has, or had."""
    return [
        row
        for row in same.told_of(db, roll_id or "")
        if row.origin is Origin.LANDING and not is_before(row.stage, Stage.LANDED)
    ]


def _is_of_before(row: rolls.RollRow, stage: Stage) -> bool:
    """Tell whether a stage is told of a publication that is over: the roll is sent anew since.

    What was fetched from it may be reported at any time; of one that lands, that is told first.
    """
    return is_before(Stage.READY, stage) and is_before(row.stage, Stage.LANDED)


def _is_our_own(row: rolls.RollRow, kind: str, data: dict[str, Any], peer: str) -> bool:
    """Tell whether the peer tells of a hold that it has from us: of a source, which we know better.

    Of evidence it may have a word of its own, when it seals. A person there may let a roll go on.
    """
    ours = row.held if row.held and row.held.code in WITHHELD else None
    if ours is not None and ours.message.startswith(f"{peer}: "):
        ours = None
    if kind == "released":
        return ours is not None and data.get("by_hand") is not True
    code = _code(data)
    if code is HeldCode.EVIDENCE_MISMATCH:
        return ours is not None and _text(data.get("message")).endswith(ours.message)
    return code in WITHHELD


def _is_under_way(db: Connection, row: rolls.RollRow, path: str) -> bool:
    """Tell whether a roll has yet to land, and has a file of that path."""
    return is_before(row.stage, Stage.LANDED) and rolls.has_path(db, row.roll_id, path)


def _text(given: Any) -> str:
    """Return what a peer said as a text of a decent length."""
    return said(given) if isinstance(given, str) else ""


def _path(data: Mapping[str, Any]) -> str:
    """Return the file that a peer speaks of, "" if none can be called so."""
    given = data.get("path")
    return given if isinstance(given, str) and len(given.encode()) <= PATH_BYTES_MAX else ""


def _short(data: dict[str, Any], path: str) -> dict[str, Any]:
    """Return what scripts read of a file's damage; of more than ours ever is, only the path."""
    return data if len(json.dumps(data)) <= SAID_DATA_BYTES_MAX else {"path": path}


def _map(given: Any) -> dict[str, Any]:
    return given if isinstance(given, dict) else {}


def _code(data: dict[str, Any]) -> HeldCode:
    """Return why the peer holds a roll; what we do not know is some trouble of its storage."""
    given = data.get("code")
    if isinstance(given, str) and given in set(HeldCode):
        return HeldCode(given)
    return HeldCode.STORAGE_ERROR


def _follow_stage(
    db: Connection, row: rolls.RollRow, stage: Stage, now_utc_ms: int, note: str
) -> None:
    """Follow the storage's word; from landed on every byte is there, and no source is missed."""
    if STAGE_ORDER[stage] >= STAGE_ORDER[Stage.LANDED]:
        rolls.set_moved(db, row.roll_id, row.total_bytes)
        rolls.set_same_as(db, row.roll_id, None)
        leaving.set_gone(db, row.roll_id, None)
    if stage in {Stage.LANDED, Stage.READY}:
        astray.arrived(db, row.roll_id)
    rolls.set_stage(db, row.roll_id, stage, now_utc_ms=now_utc_ms, note=note)
