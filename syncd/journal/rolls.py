"""Rolls as the journal keeps them: stage, held, order, inventory, history.

Owns: which stage may follow which here, and the notice that goes with each change, in the same
transaction. Must not: open a transaction; every function takes the connection of one.
"""

import json
import types
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from sqlite3 import Connection
from typing import Any

import msgpack

from syncd.journal import history, notices, settings, untold
from syncd.journal.rows import (
    HeldNote,
    HistoryRow,
    Origin,
    RollRow,
    digests_from_blob,
    digests_to_blob,
    key_of,
    plain,
    select,
)
from syncd.roll.inventory import (
    FileEntry,
    FileKind,
    Inventory,
    Trust,
    evidence_mark,
    file_from_plain,
    file_to_plain,
    media_amount,
    ordered,
)
from syncd.roll.stages import STAGE_ORDER, HeldCode, Stage, is_before

__all__ = ["HeldNote", "HistoryRow", "Origin", "RollRow"]  # what callers get beside our functions

RANK_DEFAULT = 100
ARRIVING_PREFIX = "arriving:"
ID_PREFIX_LENGTH_MIN = 6
_ALL_PAUSED_KEY = "all_paused"

# A roll goes back only to be repaired, or because its sending ended without a result.
_STEPS_BACK = frozenset({(Stage.READING_BACK, Stage.MOVING), (Stage.MOVING, Stage.VERIFIED)})


def add_arriving(
    db: Connection,
    day: str,
    name: str,
    *,
    source_path: str,
    now_utc_ms: int,
    rank: int = RANK_DEFAULT,
    needed_by_utc_ms: int | None = None,
) -> str:
    """Show a roll in lists before it is verified; return its id for the time being.

    Repeating it changes nothing. The id is the folder's: two landings may show the same day and
    name, and neither may hold or forget what the other one shows.
    """
    day, name, source = plain(day), plain(name), plain(source_path)
    roll_id = ARRIVING_PREFIX + source
    added = db.execute(
        "INSERT OR IGNORE INTO roll (roll_id, day, name, trust, origin, stage, total_bytes,"
        " file_count, rank, needed_by_utc_ms, arrived_utc_ms, route, source_path, empty_folders)"
        " VALUES (?, ?, ?, ?, ?, ?, 0, 0, ?, ?, ?, '', ?, ?)",
        (
            *(roll_id, day, name, Trust.EVIDENCE, Origin.LANDING, Stage.ARRIVING),
            *(rank, needed_by_utc_ms, now_utc_ms, source, msgpack.packb([])),
        ),
    ).rowcount
    if added:
        _say_stage(db, roll_id, Stage.ARRIVING, now_utc_ms=now_utc_ms)
    return roll_id


def add_roll(
    db: Connection,
    inventory: Inventory,
    *,
    origin: Origin,
    peer: str | None,
    stage: Stage,
    route: str = "",
    source_path: str | None = None,
    rank: int = RANK_DEFAULT,
    needed_by_utc_ms: int | None = None,
    now_utc_ms: int,
    kind: str | None = None,
    data: Mapping[str, Any] | None = None,
) -> bool:
    """Journal a roll with all its files; False, and nothing changed, if it is known already.

    kind: of the notice that says so, if not the stage; data: what it says beside that.
    An arriving roll of the same source becomes this one and keeps its history, the order a person
    or a rule gave it, and when it arrived.
    """
    source = None if source_path is None else plain(source_path)
    placeholder = db.execute(
        "SELECT roll_id FROM roll WHERE source_path = ? AND roll_id LIKE 'arriving:%'", (source,)
    ).fetchone()
    known = get(db, inventory.roll_id) is not None
    if placeholder and known:
        remove_roll(db, placeholder[0])
    if known:
        return False
    old_id = inventory.roll_id if placeholder is None else placeholder[0]
    if placeholder:
        release(db, old_id, now_utc_ms=now_utc_ms)
    db.execute(
        "INSERT INTO roll (roll_id, day, name, trust, origin, peer, stage, total_bytes,"
        " file_count, rank, needed_by_utc_ms, arrived_utc_ms, route, source_path, empty_folders)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (roll_id) DO UPDATE SET day = excluded.day, name = excluded.name,"
        " trust = excluded.trust, origin = excluded.origin, peer = excluded.peer,"
        " stage = excluded.stage, total_bytes = excluded.total_bytes,"
        " file_count = excluded.file_count, route = excluded.route,"
        " empty_folders = excluded.empty_folders",
        (
            *(old_id, inventory.day, inventory.name, inventory.trust, origin, peer, stage),
            *(inventory.total_bytes, len(inventory.files), rank, needed_by_utc_ms, now_utc_ms),
            *(route, source, msgpack.packb(list(inventory.empty_folders))),
        ),
    )
    db.execute("UPDATE roll SET roll_id = ? WHERE roll_id = ?", (inventory.roll_id, old_id))
    _add_files(db, inventory)
    _say_stage(db, inventory.roll_id, stage, now_utc_ms=now_utc_ms, kind=kind, data=data)
    return True


def replace_files(db: Connection, inventory: Inventory) -> None:
    """Journal other files for an unfinished roll; its id stays, its edition is the next one."""
    db.execute("DELETE FROM file WHERE roll_key = ?", (key_of(db, inventory.roll_id),))
    db.execute(
        "UPDATE roll SET total_bytes = ?, file_count = ?, empty_folders = ?, edition = edition + 1"
        " WHERE roll_id = ?",
        (
            *(inventory.total_bytes, len(inventory.files)),
            *(msgpack.packb(list(inventory.empty_folders)), inventory.roll_id),
        ),
    )
    _add_files(db, inventory)


def load_inventory(db: Connection, roll_id: str) -> Inventory:
    """Return the inventory as it was frozen."""
    day, name, trust, folders = db.execute(
        "SELECT day, name, trust, empty_folders FROM roll WHERE roll_id = ?", (roll_id,)
    ).fetchone()
    rows = db.execute(
        "SELECT path, size_bytes, mtime_ns, digests, kind FROM file"
        " WHERE roll_key = ? ORDER BY file_index",
        (key_of(db, roll_id),),
    )
    files = tuple(
        FileEntry(path, size, mtime, digests_from_blob(digests), FileKind(kind))
        for path, size, mtime, digests, kind in rows
    )
    return Inventory(day, name, files, tuple(msgpack.unpackb(folders)), Trust(trust))


def load_evidence_mark(db: Connection, roll_id: str) -> bytes:
    """Return Inventory.evidence_mark of a roll, without reading all of its files."""
    rows = db.execute(
        "SELECT path, size_bytes, mtime_ns, digests FROM file WHERE roll_key = ? AND kind = ?",
        (key_of(db, roll_id), FileKind.EVIDENCE),
    )
    return evidence_mark(
        FileEntry(path, size, mtime, digests_from_blob(digests), FileKind.EVIDENCE)
        for path, size, mtime, digests in rows
    )


def get(db: Connection, roll_id: str) -> RollRow | None:
    """Return one roll by its exact id."""
    rows = select(db, "WHERE roll_id = ?", roll_id)
    return rows[0] if rows else None


def all_rolls(db: Connection) -> list[RollRow]:
    """Return every roll, in the order in which they go: rank, needed-by, arrival."""
    return select(db)


def unfinished(db: Connection, origin: Origin) -> list[RollRow]:
    """Return the verified rolls of an origin that are not ready yet (a fetch: not fetched yet).

    Not those whose folder on the landing is missed.
    """
    last = Stage.FETCHED if origin is Origin.FETCH else Stage.READY
    stages = [s for s in STAGE_ORDER if s is not Stage.ARRIVING and is_before(s, last)]
    return select(
        db,
        "WHERE origin = ? AND same_as IS NULL AND gone IS NULL"
        " AND stage IN (SELECT value FROM json_each(?))",
        origin,
        json.dumps(stages),
    )


def held_for(db: Connection, codes: Iterable[HeldCode], origin: Origin) -> list[RollRow]:
    """Return the rolls of an origin that are held for one of these reasons."""
    found = json.dumps(sorted(codes))
    where = "WHERE held_code IN (SELECT value FROM json_each(?1)) AND origin = ?2"
    return select(db, where, found, origin)


def find(db: Connection, text: str) -> list[RollRow]:
    """Return the rolls that text may mean: an id, DAY/ROLL, a name, or the start of an id."""
    exact = select(db, "WHERE roll_id = ?", text)
    day, _, name = text.rpartition("/")  # no folder has a "/" in its name
    named = exact or select(db, "WHERE name = ?1 OR (name = ?2 AND day = ?3)", text, name, day)
    if named or len(text) < ID_PREFIX_LENGTH_MIN:
        return named
    # No text has a byte of 255, so all that begins with text comes before text and that byte.
    where = "WHERE roll_id >= ?1 AND roll_id < ?1 || CAST(x'ff' AS TEXT)"
    return select(db, where, text)


def set_stage(
    db: Connection,
    roll_id: str,
    stage: Stage,
    *,
    now_utc_ms: int,
    note: str = "",
    data: Mapping[str, Any] | None = None,
    kind: str | None = None,
) -> bool:
    """Move a roll on, with its history and its notice; a held roll is released before.

    kind: of the notice, if not the stage.
    Returns False, and changes nothing, for the same stage again or an earlier one: news may come
    twice and late. Going back is possible from reading-back to moving, and moving to verified.
    """
    assert stage is not Stage.HELD, "use hold()"
    now = _must_get(db, roll_id).stage
    if stage is now or (is_before(stage, now) and (now, stage) not in _STEPS_BACK):
        return False
    if not release(db, roll_id, now_utc_ms=now_utc_ms) and untold.is_waiting(db, roll_id):
        tell_late(db, roll_id, now_utc_ms=now_utc_ms)
    db.execute("UPDATE roll SET stage = ? WHERE roll_id = ?", (stage, roll_id))
    _say_stage(db, roll_id, stage, now_utc_ms=now_utc_ms, note=note, data=data, kind=kind)
    return True


def hold(
    db: Connection,
    roll_id: str,
    code: HeldCode,
    message: str,
    path: str | None,
    *,
    now_utc_ms: int,
    quiet: bool = False,
) -> bool:
    """Hold a roll until release() or its next stage; False for the same reason again.

    quiet: without line and notice; tell_late() makes up for it.
    """
    held = HeldNote(code, plain(message), None if path is None else plain(path))
    if _must_get(db, roll_id).held == held:
        return False
    db.execute(
        "UPDATE roll SET held_code = ?, held_message = ?, held_path = ? WHERE roll_id = ?",
        (held.code, held.message, held.path, roll_id),
    )
    if quiet:
        untold.add(db, roll_id)
    else:
        _say_held(db, roll_id, held, now_utc_ms)
    return True


def release(
    db: Connection, roll_id: str, *, now_utc_ms: int, quiet: bool = False, by_hand: bool = False
) -> bool:
    """Let a held roll go on from the stage it had; False if it was not held.

    Nothing else ends a hold: so its history says of each that it is over.
    quiet: as in hold(). by_hand: a person says so; the notice does, too.
    """
    roll = _must_get(db, roll_id)
    if roll.held is None:
        return False
    db.execute(
        "UPDATE roll SET held_code = NULL, held_message = NULL, held_path = NULL WHERE roll_id = ?",
        (roll_id,),
    )
    if quiet:
        untold.add(db, roll_id)
    else:
        text = f"no longer held ({roll.held.code})"
        _say_released(db, roll, text, now_utc_ms, {"by_hand": True} if by_hand else None)
    return True


def tell_late(db: Connection, roll_id: str, *, now_utc_ms: int) -> None:
    """Tell how a roll is by now that was held or released quietly."""
    roll = get(db, roll_id)
    if roll is None:
        untold.told(db, roll_id)
    elif roll.held is None:
        _say_released(db, roll, "no longer held", now_utc_ms)
    else:
        _say_held(db, roll_id, roll.held, now_utc_ms)


def ask_reading(db: Connection, roll_id: str, is_asked: bool) -> None:
    """Note that a person wants a published roll, held for a wrong file, to be read again."""
    settings.put(db, f"read-again:{roll_id}", "yes" if is_asked else "no")


def is_reading_asked(db: Connection, roll_id: str) -> bool:
    """Tell whether a person wants a published roll to be read again."""
    return settings.get(db, f"read-again:{roll_id}") == "yes"


def set_times(db: Connection, roll_id: str, mtimes_ns: Mapping[str, int]) -> None:
    """Record the times that files have now, whose bytes were read and are as ever."""
    key = key_of(db, roll_id)
    db.executemany(
        "UPDATE file SET mtime_ns = ?1 WHERE roll_key = ?2 AND path = ?3 AND mtime_ns <> ?1",
        [(at_ns, key, path) for path, at_ns in mtimes_ns.items()],
    )


def note(
    db: Connection,
    roll_id: str,
    text: str,
    *,
    now_utc_ms: int,
    kind: str = "note",
    data: Mapping[str, Any] | None = None,
) -> None:
    """Add a line to a roll's history, and a notice of kind."""
    text = plain(text)
    history.write(db, roll_id, _must_get(db, roll_id).shown_stage, text, now_utc_ms)
    notices.add(db, roll_id, kind, now_utc_ms=now_utc_ms, note=text, data=data)


def set_moved(db: Connection, roll_id: str, moved_bytes: int) -> None:
    """Record how much is durable at the destination."""
    db.execute(
        "UPDATE roll SET moved_bytes = ?1 WHERE roll_id = ?2 AND moved_bytes <> ?1",
        (moved_bytes, roll_id),
    )


def set_expected(db: Connection, expected_utc_ms: Mapping[str, int | None]) -> None:
    """Record when rolls will probably have landed; None: not known."""
    db.executemany(
        "UPDATE roll SET expected_utc_ms = ?1 WHERE roll_id = ?2 AND expected_utc_ms IS NOT ?1",
        [(at, roll_id) for roll_id, at in expected_utc_ms.items()],
    )


def set_order(
    db: Connection,
    roll_id: str,
    *,
    rank: int | None = None,
    needed_by_utc_ms: int | types.EllipsisType | None = ...,
    now_utc_ms: int,
) -> None:
    """Give a roll another place by hand; what is left out stays as it is."""
    if rank is not None:
        db.execute(
            "UPDATE roll SET rank = ?, rank_set_by_hand = 1 WHERE roll_id = ?", (rank, roll_id)
        )
    if needed_by_utc_ms is not ...:
        db.execute(
            "UPDATE roll SET needed_by_utc_ms = ? WHERE roll_id = ?", (needed_by_utc_ms, roll_id)
        )
    roll = _must_get(db, roll_id)
    text = f"rank is now {roll.rank}"
    history.write(db, roll_id, roll.shown_stage, text, now_utc_ms)
    data = {"rank": roll.rank, "needed_by_utc_ms": roll.needed_by_utc_ms}
    notices.add(db, roll_id, "order", now_utc_ms=now_utc_ms, note=text, data=data)


def set_paused(db: Connection, roll_id: str | None, paused: bool) -> None:
    """Pause one roll or, with None, everything; or let it go on."""
    if roll_id is None:
        settings.put(db, _ALL_PAUSED_KEY, "yes" if paused else "no")
        return
    db.execute("UPDATE roll SET paused = ?1 WHERE roll_id = ?2 AND paused <> ?1", (paused, roll_id))


def is_all_paused(db: Connection) -> bool:
    """Tell whether everything is paused."""
    return settings.get(db, _ALL_PAUSED_KEY) == "yes"


def set_peer(db: Connection, roll_id: str, peer: str) -> None:
    """Record that the roll now comes from another peer."""
    db.execute("UPDATE roll SET peer = ? WHERE roll_id = ?", (peer, roll_id))


def forget_offers_of(db: Connection, roll_id: str, *, keep: int) -> None:
    """Forget the oldest other offers of a published roll's content, all but so many."""
    rows = db.execute(
        "SELECT roll_id FROM roll WHERE same_as = ? AND origin = ?"
        " ORDER BY key DESC LIMIT -1 OFFSET ?",
        (roll_id, Origin.PEER, keep),
    ).fetchall()
    for (other_id,) in rows:
        give_up(db, other_id)


def has_path(db: Connection, roll_id: str, path: str) -> bool:
    """Tell whether a roll has a file of that path, the evidence that publishing added included."""
    row = db.execute(
        "SELECT published_evidence, EXISTS (SELECT 1 FROM file WHERE roll_key = roll.key"
        " AND path = ?2) FROM roll WHERE roll_id = ?1",
        (roll_id, path),
    ).fetchone()
    if row is None or row[1]:
        return row is not None
    added = () if row[0] is None else msgpack.unpackb(row[0])
    return any(file_from_plain(plain_entry).path == path for plain_entry in added)


def set_source_path(db: Connection, roll_id: str, source_path: str) -> None:
    """Record that the roll is read from another place by now."""
    db.execute("UPDATE roll SET source_path = ? WHERE roll_id = ?", (plain(source_path), roll_id))


def rename(db: Connection, roll_id: str, day: str, name: str) -> None:
    """Record that a roll that was not taken by anybody yet is called otherwise by now."""
    db.execute("UPDATE roll SET day = ?, name = ? WHERE roll_id = ?", (day, name, roll_id))


def set_published(
    db: Connection, roll_id: str, path: str, evidence: Sequence[FileEntry] | None = None
) -> None:
    """Record where the roll was published, and the manifests and lists that lie there now.

    evidence: with the generation that publishing added; None: as in the inventory.
    """
    packed = None if evidence is None else msgpack.packb([file_to_plain(e) for e in evidence])
    db.execute(
        "UPDATE roll SET published_path = ?, published_evidence = ? WHERE roll_id = ?",
        (path, packed, roll_id),
    )


def load_published_inventory(db: Connection, roll_id: str) -> Inventory:
    """Return the inventory of the roll as it was published: its media, and today's evidence."""
    return as_published(db, roll_id, load_inventory(db, roll_id))


def as_published(db: Connection, roll_id: str, inventory: Inventory) -> Inventory:
    """Return an inventory as it was frozen with today's evidence; itself if that is the same."""
    (packed,) = db.execute(
        "SELECT published_evidence FROM roll WHERE roll_id = ?", (roll_id,)
    ).fetchone()
    if packed is None:
        return inventory
    media = [entry for entry in inventory.files if entry.kind is FileKind.MEDIA]
    evidence = [file_from_plain(packed_entry) for packed_entry in msgpack.unpackb(packed)]
    return replace(inventory, files=ordered([*media, *evidence]))


def load_published_evidence(db: Connection, roll_id: str) -> tuple[FileEntry, ...]:
    """Return the manifests and lists that were published with a roll."""
    files = load_published_inventory(db, roll_id).files
    return tuple(entry for entry in files if entry.kind is FileKind.EVIDENCE)


def set_same_as(db: Connection, roll_id: str, other_id: str | None) -> None:
    """Record that the roll has the content of another one, or rests for it; None: no longer."""
    db.execute("UPDATE roll SET same_as = ? WHERE roll_id = ?", (other_id, roll_id))


def replaced_by(db: Connection, roll_id: str) -> tuple[str, ...]:
    """Return the rolls from a landing that rest in favour of this one, the latest first."""
    found = db.execute(
        "SELECT roll_id FROM roll WHERE same_as = ? AND origin = ? ORDER BY key DESC LIMIT 8",
        (roll_id, Origin.LANDING),
    )
    return tuple(str(each) for (each,) in found)


def set_publish_intent(db: Connection, roll_id: str, text: str | None) -> None:
    """Record what publishing is about to do, so that a restart can tell how far it got."""
    db.execute("UPDATE roll SET publish_intent = ? WHERE roll_id = ?", (text, roll_id))


def publish_intent(db: Connection, roll_id: str) -> str | None:
    """Return what publishing was about to do, or None."""
    row = db.execute("SELECT publish_intent FROM roll WHERE roll_id = ?", (roll_id,)).fetchone()
    return None if row is None else row[0]


def give_up(db: Connection, roll_id: str) -> None:
    """Forget an unfinished roll of a peer; its notices stay."""
    db.execute("DELETE FROM roll WHERE roll_id = ? AND origin = ?", (roll_id, Origin.PEER))


def remove_roll(db: Connection, roll_id: str) -> None:
    """Forget an arriving roll, whose folder went away before it was verified."""
    assert roll_id.startswith(ARRIVING_PREFIX), "only what was never verified may be forgotten"
    db.execute("DELETE FROM roll WHERE roll_id = ?", (roll_id,))


def forget_fetch(db: Connection, roll_id: str) -> bool:
    """Forget a fetched roll, so that it can be fetched anew; False if it is no fetch."""
    return (
        db.execute(
            "DELETE FROM roll WHERE roll_id = ? AND origin = ?", (roll_id, Origin.FETCH)
        ).rowcount
        > 0
    )


def _add_files(db: Connection, inventory: Inventory) -> None:
    key = key_of(db, inventory.roll_id)
    db.executemany(
        "INSERT INTO file (roll_key, file_index, path, size_bytes, mtime_ns, digests, kind)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            (key, i, f.path, f.size_bytes, f.mtime_ns, digests_to_blob(f.digests), f.kind.value)
            for i, f in enumerate(inventory.files)
        ),
    )
    db.execute(
        "UPDATE roll SET media_files = ?, media_bytes = ? WHERE key = ?",
        (*media_amount(inventory), key),
    )


def _say_held(db: Connection, roll_id: str, held: HeldNote, now_utc_ms: int) -> None:
    untold.told(db, roll_id)
    history.write(db, roll_id, Stage.HELD, f"{held.code}: {held.message}", now_utc_ms)
    data = {"code": held.code.value, "message": held.message, "path": held.path}
    notices.add(db, roll_id, "held", now_utc_ms=now_utc_ms, note=held.message, data=data)


def _say_released(
    db: Connection,
    roll: RollRow,
    text: str,
    now_utc_ms: int,
    data: Mapping[str, Any] | None = None,
) -> None:
    untold.told(db, roll.roll_id)
    history.write(db, roll.roll_id, roll.stage, text, now_utc_ms)
    notices.add(db, roll.roll_id, "released", now_utc_ms=now_utc_ms, note=text, data=data)


def _say_stage(
    db: Connection,
    roll_id: str,
    stage: Stage,
    *,
    now_utc_ms: int,
    note: str = "",
    data: Mapping[str, Any] | None = None,
    kind: str | None = None,
) -> None:
    note = plain(note)
    untold.told(db, roll_id)
    history.write(db, roll_id, stage, note, now_utc_ms)
    notices.add(db, roll_id, kind or stage.value, now_utc_ms=now_utc_ms, note=note, data=data)


def _must_get(db: Connection, roll_id: str) -> RollRow:
    roll = get(db, roll_id)
    assert roll is not None, f"roll {roll_id} is not journalled"
    return roll
