"""The hand-off end to end, both boxes simulated: what comes of every ordinary and odd roll."""

import asyncio
import errno
import hashlib
from typing import Any

import pytest

from syncd.board.answers import find_one
from syncd.errors import HeldError
from syncd.handoff.outgoing import Outgoing
from syncd.handoff.outgoing_book import OutgoingBook
from syncd.handoff.resends import check_source
from syncd.handoff.sources import Sources
from syncd.journal import notices, rolls
from syncd.ports import EntryKind
from syncd.roll.inventory import Trust
from syncd.roll.stages import HeldCode, Stage
from syncd.storage.intake import ReceivingRolls
from syncd.storage.marker import MARKER_NAME, make_marker
from syncd.storage.outcomes import record_held
from syncd.wire.messages import Hello
from tests.faults.scenes import (
    clips,
    is_held,
    listing,
    moves,
    order_by_hand,
    play,
    put_files,
    put_roll,
    reaches,
    rot,
    row_of,
    stat_stored,
    stored,
    touch,
    until,
)
from tests.faults.world import DAY, LANDING, STORAGE, SimChance, World

SECOND = "/media/second"
SOURCE = f"{LANDING}/{DAY}/A012"
LAST = "Clips/C002.mov"
pytestmark = pytest.mark.usefixtures("small_parcels")


@pytest.fixture
def parcels_taken(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Write down the roll of every parcel that the storage begins to take, in order."""
    taken: list[str] = []
    begin = ReceivingRolls.begin

    def noting(self: ReceivingRolls, roll_id: str, number: int, evidence: bytes) -> object:
        taken.append(roll_id)
        return begin(self, roll_id, number, evidence)

    monkeypatch.setattr(ReceivingRolls, "begin", noting)
    return taken


def _media(files: dict[str, bytes]) -> dict[str, bytes]:
    return {path: data for path, data in files.items() if not path.endswith((".md5", ".mhl"))}


def _arrived(world: World, name: str) -> dict[str, bytes]:
    found = stored(world, name)
    return {path: found[path] for path in world.footage[name] if path in found}


# What a roll may look like


def test_everything_of_a_roll_arrives_as_it_was() -> None:
    """Bytes, names in either normal form, times of files, empty files and empty folders."""
    world = World(1)
    files = {
        "Clips/C001.mov": bytes(range(256)) * 500,
        "Clips/Cafe\u0301.mov": b"decomposed",
        "Clips/\u00e9tude.mov": b"composed",
        "Clips/empty.mov": b"",
        "notes/\U0001f3ac take 1 .txt": b"a space before the dot",
    }

    async def scene() -> None:
        with world.offload.disk.untroubled():
            world.offload.disk.make_root(f"{SOURCE}/Audio/none yet")
        put_roll(world, "A012", files)
        await reaches(world, "A012")

    play(world, scene)
    assert _arrived(world, "A012") == files
    folder = stat_stored(world, "A012/Audio/none yet")
    assert folder is not None
    assert folder.kind is EntryKind.FOLDER
    source = world.offload.disk.open_folder(SOURCE)
    for path in (*files, "A012.md5"):
        before, after = source.stat(path), stat_stored(world, f"A012/{path}")
        assert before is not None
        assert after is not None
        assert before.mtime_ns == after.mtime_ns, path


def test_links_and_other_things_are_named_and_not_followed() -> None:
    """A link out of the roll brings nothing with it, and the roll goes on without it."""
    world = World(2)

    async def scene() -> None:
        put_files(world.offload, "/etc", {"secret": b"not footage"})
        root = world.offload.disk.open_folder("/")
        root.make_folders(SOURCE.strip("/"))
        root.make_link(f"{SOURCE}/secret.mov".strip("/"), "/etc/secret")  # type: ignore[attr-defined]
        root.make_link(f"{SOURCE}/up".strip("/"), "/etc")  # type: ignore[attr-defined]
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")

    play(world, scene)
    assert b"not footage" not in stored(world, "A012").values()
    assert stat_stored(world, "A012/up") is None
    row = row_of(world.offload, "A012")
    assert row is not None
    notes = [line.note for line in world.offload.history(row.roll_id)]
    assert any("secret.mov" in note and "up" in note for note in notes), notes


def test_a_roll_of_nothing_but_a_list_is_no_roll_and_holds_nobody_up() -> None:
    """Without media there is nothing to hand over; the next roll goes."""
    world = World(3)

    async def scene() -> None:
        put_files(world.offload, SOURCE, {"A012.md5": b""})
        touch(world, "A012")
        put_roll(world, "B007", clips(world))
        await reaches(world, "B007")

    play(world, scene)
    assert not stored(world, "A012")


def test_a_day_that_is_there_already_gains_the_roll() -> None:
    """What lies beside it stays as it is."""
    world = World(4)
    put_files(world.processing, f"{STORAGE}/{DAY}", {"A011/C001.mov": b"yesterday"})

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")

    play(world, scene)
    assert stored(world, "A011") == {"C001.mov": b"yesterday"}
    assert _arrived(world, "A012") == world.footage["A012"]


# The same content, the same name


@pytest.mark.parametrize("is_first_ready", [True, False], ids=["landed", "under way"])
def test_the_same_content_with_other_evidence_is_one_roll(is_first_ready: bool) -> None:
    """An md5 list, then the same files with an xxh64 list in a second landing (promise 7)."""
    world = World(5, landings=(LANDING, SECOND))
    files = clips(world, count=4)

    async def scene() -> None:
        put_roll(world, "A012", files)
        await (reaches(world, "A012") if is_first_ready else moves(world, "A012"))
        order_by_hand(world.offload, None, paused=True)
        other = {"sums.xxh64": listing(files, "xxh64")}
        put_roll(world, "A012", files, landing=SECOND, evidence=other)
        await asyncio.sleep(30)
        order_by_hand(world.offload, None, paused=False)

        def both_ready() -> bool:
            rows = [row for row in world.offload.rows() if row.name == "A012"]
            return len(rows) == 2 and all(row.stage is Stage.READY for row in rows)

        await until(both_ready, "both offers are ready")

    play(world, scene)
    assert _arrived(world, "A012") == files
    assert len([path for path in stored(world, "A012") if path.endswith(".mov")]) == 4
    assert not any(row.held for row in (*world.offload.rows(), *world.processing.rows()))
    assert not world.processing.disk.files_below(f"{STORAGE}/.syncd/incoming")


@pytest.mark.parametrize("place", [f"{DAY}/A012", f"{DAY}/A012-copy", "2026-03-15_D13/A012"])
def test_what_is_offered_again_with_other_evidence_is_told_once(place: str) -> None:
    """Promises 6 and 7: one roll, under the id that it had; both names and ids lead to it."""
    world = World(9, landings=(LANDING, SECOND))
    files = clips(world, count=4)

    async def scene() -> str:
        put_roll(world, "A012", files)
        first = await reaches(world, "A012")
        again = {**files, "sums.xxh64": listing(files, "xxh64")}
        put_files(world.offload, f"{SECOND}/{place}", again)
        assert world.offload.parts is not None
        world.offload.parts.landings[1].touched(f"{place}/anything")

        def is_ready_too() -> bool:
            rows = [row for row in world.offload.rows() if row.roll_id != first.roll_id]
            return bool(rows) and all(row.stage is Stage.READY for row in rows)

        await until(is_ready_too, "the other offer is ready")
        await world.offload.lose_power()
        await asyncio.sleep(30)
        return first.roll_id

    roll_id = play(world, scene)
    box = world.processing
    with box.journal.read() as db:
        told = notices.after(db, 0, limit=1000, kinds={"landed", "ready"})
        names = [place, f"{DAY}/A012", *(row.roll_id for row in box.rows())]
        assert {find_one(db, name).roll_id for name in names} == {roll_id}
    assert [(notice.kind, notice.roll_id) for notice in told] == [
        ("landed", roll_id),
        ("ready", roll_id),
    ]
    days = box.disk.files_below(STORAGE)
    assert len([path for path in days if path.endswith(".mov")]) == len(files)
    assert not any(row.held for row in (*world.offload.rows(), *box.rows()))


def test_a_roll_with_the_same_names_and_sizes_is_another_one() -> None:
    """Stills of one size each, say: only reading tells, and does."""
    world = World(10)
    files = clips(world, count=2)
    other = clips(world, count=2)

    async def scene() -> None:
        put_roll(world, "A012", files)
        await reaches(world, "A012")
        put_roll(world, "A013", other, evidence={"A013.xxh64": listing(other, "xxh64")})
        await reaches(world, "A013")

    play(world, scene)
    assert _arrived(world, "A012") == files
    assert _arrived(world, "A013") == other


def test_other_content_under_a_published_name_is_held_and_changes_nothing() -> None:
    """A card name used twice: the first roll stays, the second waits for a person."""
    world = World(6, landings=(LANDING, SECOND))

    async def scene() -> dict[str, bytes]:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        before = stored(world, "A012")
        put_roll(world, "A012", clips(world), landing=SECOND)
        held = await is_held(world, "A012", HeldCode.NAME_TAKEN)
        assert f"{DAY}/A012" in held.message
        assert "card" in held.message
        return before

    assert play(world, scene) == stored(world, "A012")


def test_other_content_under_a_name_still_moving_is_held() -> None:
    """Whoever came first goes on."""
    world = World(7, landings=(LANDING, SECOND))
    files = clips(world, count=8)

    async def scene() -> None:
        put_roll(world, "A012", files)
        await moves(world, "A012")
        order_by_hand(world.offload, None, paused=True)
        put_roll(world, "A012", clips(world, count=8), landing=SECOND)
        await is_held(world, "A012", HeldCode.NAME_TAKEN)
        order_by_hand(world.offload, None, paused=False)
        await until(lambda: stored(world, "A012"), "the first is published")

    play(world, scene)
    assert _arrived(world, "A012") == files


def test_a_settled_roll_without_evidence_is_published_with_a_history() -> None:
    """Trust = "settled": hashed in sending, a first ASC MHL generation is written for it."""
    world = World(8, trust=Trust.SETTLED)

    async def scene() -> None:
        put_roll(world, "A012", clips(world), evidence={})
        await reaches(world, "A012")

    play(world, scene)
    found = stored(world, "A012")
    assert _arrived(world, "A012") == world.footage["A012"]
    manifests = [path for path in found if path.startswith("ascmhl/") and path.endswith(".mhl")]
    assert len(manifests) == 1
    assert b"C001.mov" in found[manifests[0]]


def test_settled_content_offered_again_is_compared_by_reading() -> None:
    """No digests on either side of the name: it is hashed, compared, and one roll (promise 7)."""
    world = World(9, landings=(LANDING, SECOND), trust=Trust.SETTLED)
    files, others = clips(world), clips(world)

    async def scene() -> None:
        put_roll(world, "A012", files, evidence={})
        await reaches(world, "A012")
        put_roll(world, "A012", files, landing=SECOND, evidence={})

        def both_ready() -> bool:
            rows = [row for row in world.offload.rows() if row.name == "A012"]
            return len(rows) == 2 and all(row.stage is Stage.READY for row in rows)

        await until(both_ready, "both offers are ready")
        different = {path: data[:-1] + b"!" for path, data in others.items()}
        put_roll(world, "B007", others, evidence={})
        await reaches(world, "B007")
        put_roll(world, "B007", different, landing=SECOND, evidence={})
        await is_held(world, "B007", HeldCode.NAME_TAKEN)

    play(world, scene)
    assert _arrived(world, "B007") == others


# The source


def test_a_source_that_changes_in_mid_transfer_is_held_and_never_published() -> None:
    """The new bytes are not sent under the old evidence."""
    world = World(10)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=6))
        await moves(world, "A012")
        changed = {"Clips/C005.mov": b"another take"}
        put_files(world.offload, SOURCE, changed, replace=True)
        held = await is_held(world, "A012", HeldCode.SOURCE_CHANGED)
        assert held.path == "Clips/C005.mov"
        assert "do not clear the card" in held.message.lower()

    play(world, scene)
    assert not stored(world, "A012")


def test_a_source_that_vanishes_and_comes_back_goes_on_by_itself() -> None:
    """A drive pulled in mid-transfer: held as unreadable, cured when it is connected again."""
    world = World(11)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=6))
        await moves(world, "A012")
        world.offload.disk.take_away(LANDING)
        held = await is_held(world, "A012", HeldCode.SOURCE_UNREADABLE)
        assert "by itself" in held.message
        world.offload.disk.bring_back(LANDING)
        await reaches(world, "A012")

    play(world, scene)
    assert _arrived(world, "A012") == world.footage["A012"]


def test_a_file_that_is_missing_in_mid_transfer_is_named() -> None:
    """And when it is put back as it was, a `go` brings the roll over."""
    world = World(12)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=6))
        await moves(world, "A012")
        folder = world.offload.disk.open_folder(SOURCE)
        folder.rename_new("Clips/C005.mov", "Clips/.C005.mov.part")
        await until(lambda: any(row.held for row in world.offload.rows()), "held")
        row = row_of(world.offload, "A012")
        assert row is not None
        assert row.held is not None
        assert row.held.code in (HeldCode.FILE_MISSING, HeldCode.SOURCE_CHANGED)
        assert row.held.path == "Clips/C005.mov"
        folder.rename_new("Clips/.C005.mov.part", "Clips/C005.mov")
        order_by_hand(world.offload, "A012", go=True)
        await reaches(world, "A012")

    play(world, scene)
    assert _arrived(world, "A012") == world.footage["A012"]


def test_a_source_that_does_not_match_its_evidence_is_blamed() -> None:
    """File, range, both digests and the side that is wrong are in the message (promise 5)."""
    world = World(13)
    files = clips(world)
    wrong = {**files, "Clips/C001.mov": files["Clips/C001.mov"][:-1] + b"?"}

    async def scene() -> str:
        put_roll(world, "A012", wrong, evidence={"A012.md5": listing(files)})
        return (await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)).message

    message = play(world, scene)
    said = hashlib.md5(files["Clips/C001.mov"], usedforsecurity=False).hexdigest()
    is_now = hashlib.md5(wrong["Clips/C001.mov"], usedforsecurity=False).hexdigest()
    for part in (f"{DAY}/A012", "Clips/C001.mov", "0 to 60000", said, is_now, "source"):
        assert part in message, message
    assert not stored(world, "A012")
    held = [row.held for row in world.processing.rows() if row.held]
    assert [note.code for note in held] == [HeldCode.EVIDENCE_MISMATCH], "withheld there, too"


def test_evidence_that_gains_a_generation_in_mid_transfer_is_taken_as_it_is_then() -> None:
    """Another list beside the first one changes nothing of the roll: it goes on with both."""
    world = World(14)
    files = clips(world, count=6)

    async def scene() -> None:
        put_roll(world, "A012", files)
        await moves(world, "A012")
        order_by_hand(world.offload, None, paused=True)
        put_files(world.offload, SOURCE, {"again.md5": listing(files)})
        touch(world, "A012")
        await asyncio.sleep(30)
        order_by_hand(world.offload, None, paused=False)
        await reaches(world, "A012")

    play(world, scene)
    assert _arrived(world, "A012") == files
    assert "A012.md5" in stored(world, "A012")


def test_a_roll_found_at_another_path_is_read_from_there() -> None:
    """The drive comes back under another mount point: the unfinished roll goes on from it."""
    world = World(15, landings=(LANDING, SECOND))
    files = clips(world, count=6)

    async def scene() -> None:
        put_roll(world, "A012", files)
        await moves(world, "A012")
        world.offload.disk.take_away(LANDING)
        await is_held(world, "A012", HeldCode.SOURCE_UNREADABLE)
        root = world.offload.disk.open_folder("/")
        root.make_folders(f"{SECOND}/{DAY}".strip("/"))
        root.rename_new(SOURCE.strip("/"), f"{SECOND}/{DAY}/A012".strip("/"))
        touch(world, "A012")
        await reaches(world, "A012")

    play(world, scene)
    assert _arrived(world, "A012") == files


# The storage


def test_a_storage_without_its_marker_is_absent_until_it_is_marked() -> None:
    """Said of the roll and in the greeting; cured by `syncd check --mark` alone."""
    world = World(16)
    folder = world.processing.disk.open_folder(STORAGE)
    folder.remove_file(MARKER_NAME)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        held = await is_held(world, "A012", HeldCode.STORAGE_ABSENT)
        assert MARKER_NAME in held.message
        assert "syncd check --mark" in held.message
        assert world.processing.parts is not None
        hello = Hello(node="offload-1", roles=("offload",), version="1", utc_ms=1)
        answer = await world.net.ask("offload-1", "process-1", hello)
        assert MARKER_NAME in answer.storage
        assert not world.processing.disk.files_below(STORAGE)
        make_marker(folder, SimChance(world.rng))
        await reaches(world, "A012")

    play(world, scene)
    assert _arrived(world, "A012") == world.footage["A012"]


def test_a_storage_that_is_unmounted_and_back_goes_on_by_itself() -> None:
    """Nothing is written below the bare mount point meanwhile."""
    world = World(17)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=6))
        await moves(world, "A012")
        world.processing.disk.take_away(STORAGE)
        await is_held(world, "A012", HeldCode.STORAGE_ABSENT)
        world.processing.disk.bring_back(STORAGE)
        await reaches(world, "A012")

    play(world, scene)
    assert _arrived(world, "A012") == world.footage["A012"]


@pytest.mark.parametrize("more_bytes", [10_000, 150_000], ids=["at the offer", "in mid-roll"])
def test_a_full_storage_holds_the_roll_until_there_is_room(more_bytes: int) -> None:
    """Refused before a byte is taken where that can be known; cured when space is back."""
    world = World(18)

    async def scene() -> None:
        if more_bytes < 60_000:
            world.processing.disk.full_after(more_bytes)
        put_roll(world, "A012", clips(world, count=6))
        if more_bytes >= 60_000:
            await moves(world, "A012")
            world.processing.disk.full_after(more_bytes)
        held = await is_held(world, "A012", HeldCode.STORAGE_FULL)
        assert "by itself" in held.message or "Free" in held.message
        assert not stored(world, "A012")
        world.processing.disk.full_after(1 << 30)
        await reaches(world, "A012")

    play(world, scene)
    assert _arrived(world, "A012") == world.footage["A012"]


@pytest.mark.parametrize("code", [errno.EIO, errno.EROFS])
def test_a_storage_that_fails_is_held_until_somebody_says_go(code: int) -> None:
    """An I/O error does not cure itself: a person looks, then `syncd go` on the storage's box."""
    world = World(19)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=6))
        await moves(world, "A012")
        world.processing.disk.fail_next("write", code, times=3)
        held = await is_held(world, "A012", HeldCode.STORAGE_ERROR)
        assert "syncd go" in held.message
        await asyncio.sleep(60)
        await is_held(world, "A012", HeldCode.STORAGE_ERROR)
        world.processing.disk.be_well()
        order_by_hand(world.processing, "A012", go=True)
        await reaches(world, "A012")

    play(world, scene)
    assert _arrived(world, "A012") == world.footage["A012"]


def test_a_source_that_fails_to_read_and_to_close_ends_no_part_of_the_box() -> None:
    """As a file system that died while a parcel was read: held, and gone on with by itself."""
    world = World(21)
    failed: list[str] = []

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=6))
        await moves(world, "A012")
        world.offload.disk.failed = failed.append
        world.offload.disk.fail_next("read", errno.EIO, times=8)
        world.offload.disk.fail_next("close", errno.EIO, times=8)
        await is_held(world, "A012", HeldCode.SOURCE_UNREADABLE)
        assert set(failed) >= {"read", "close"}
        world.offload.disk.be_well()
        await reaches(world, "A012")

    play(world, scene)
    assert _arrived(world, "A012") == world.footage["A012"]


def test_go_on_the_offload_box_is_enough() -> None:
    """Whoever says `go`, on whichever box: the roll is tried again."""
    world = World(20)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=6))
        await moves(world, "A012")
        world.processing.disk.fail_next("write", errno.EIO, times=3)
        await is_held(world, "A012", HeldCode.STORAGE_ERROR)
        world.processing.disk.be_well()
        order_by_hand(world.offload, "A012", go=True)
        await reaches(world, "A012")

    play(world, scene)


def test_a_roll_that_read_back_wrong_twice_is_tried_again_after_go_on_either_box() -> None:
    """The person at the card says `go` once the disks were looked at; the roll comes whole."""
    world = World(27)
    files = clips(world, count=1)

    async def scene() -> None:
        put_roll(world, "A012", files)
        rot(world, "C000.mov", files)
        held = await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH)
        assert held.path == "Clips/C000.mov"
        await asyncio.sleep(20)
        await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH)
        world.processing.disk.at_op = None
        order_by_hand(world.offload, "A012", go=True)
        await reaches(world, "A012")

    play(world, scene)
    assert _arrived(world, "A012") == files


def test_evidence_under_another_name_on_the_way_is_taken_anew() -> None:
    """The media are the same, so nobody is asked to do anything; what is there now arrives."""
    world = World(28)
    files = clips(world, count=6)

    async def scene() -> None:
        put_roll(world, "A012", files)
        await moves(world, "A012")
        order_by_hand(world.offload, None, paused=True)
        folder = world.offload.disk.open_folder(SOURCE)
        folder.rename_new("A012.md5", "checked.md5")
        touch(world, "A012")
        row = row_of(world.offload, "A012")
        assert row is not None

        def is_taken_anew() -> bool:
            history = world.offload.history(row.roll_id)
            return any("its evidence changed" in line.note for line in history)

        await until(is_taken_anew, "the landing takes it anew")
        order_by_hand(world.offload, None, paused=False)
        await reaches(world, "A012")

    play(world, scene)
    assert _arrived(world, "A012") == files
    names = {path for path in stored(world, "A012") if path.endswith(".md5")}
    assert names == {"checked.md5"}
    with world.offload.journal.read() as db:
        assert not notices.after(db, 0, limit=1000, kinds={"held"})


# Order


def test_a_rush_roll_overtakes_in_mid_roll(parcels_taken: list[str]) -> None:
    """Decided anew at every parcel: the wire turns to it, then back (what is sent is not lost)."""
    world = World(21)

    async def scene() -> tuple[str, str]:
        put_roll(world, "A012", clips(world, count=12))
        put_roll(world, "B007", clips(world, count=3))
        await moves(world, "A012")
        order_by_hand(world.offload, "B007", rank=1)
        first, second = await reaches(world, "A012"), await reaches(world, "B007")
        return first.roll_id, second.roll_id

    slow, rush = play(world, scene)
    order = "".join({slow: "a", rush: "B"}[roll_id] for roll_id in parcels_taken)
    begins, ends = order.index("B"), order.rindex("B")
    assert 0 < begins < ends < len(order) - 1, order
    assert order[begins : ends + 1].count("a") <= 4, f"two lanes of four parcels: {order}"


def test_a_paused_roll_waits_and_the_others_go_on() -> None:
    """And goes on from where it was."""
    world = World(22)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=12))
        await moves(world, "A012")
        order_by_hand(world.offload, "A012", paused=True)
        put_roll(world, "B007", clips(world))
        await reaches(world, "B007")
        await asyncio.sleep(60)
        assert not stored(world, "A012")
        order_by_hand(world.offload, "A012", paused=False)
        await reaches(world, "A012")

    play(world, scene)


def test_a_general_pause_stops_every_roll_until_go() -> None:
    """No parcel travels meanwhile, and single pauses are not ended by the general go."""
    world = World(23)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=12))
        await moves(world, "A012")
        order_by_hand(world.offload, None, paused=True)
        await asyncio.sleep(5)
        row = row_of(world.processing, "A012")
        assert row is not None
        before = row.moved_bytes
        await asyncio.sleep(60)
        row = row_of(world.processing, "A012")
        assert row is not None
        assert row.moved_bytes == before < row.total_bytes
        order_by_hand(world.offload, None, paused=False)
        await reaches(world, "A012")

    play(world, scene)


@pytest.mark.parametrize("victim", ["offload", "processing"])
def test_a_restart_keeps_order_pauses_and_holds(victim: str, parcels_taken: list[str]) -> None:
    """Whichever box loses power: what a person decided stays decided."""
    world = World(24, landings=(LANDING, SECOND))
    box = getattr(world, victim)

    async def scene() -> tuple[str, str]:
        put_roll(world, "S003", clips(world))
        await reaches(world, "S003")
        put_roll(world, "S003", clips(world), landing=SECOND)
        await is_held(world, "S003", HeldCode.NAME_TAKEN)
        order_by_hand(world.offload, None, paused=True)
        for name in ("A012", "B007", "A013"):
            put_roll(world, name, clips(world, count=3))
            await reaches(world, name, Stage.VERIFIED)
        order_by_hand(world.offload, "B007", rank=1)
        order_by_hand(world.offload, "A013", paused=True)
        await asyncio.sleep(10)
        await box.lose_power()
        await asyncio.sleep(30)
        assert not stored(world, "A012")
        parcels_taken.clear()
        order_by_hand(world.offload, None, paused=False)
        first, second = await reaches(world, "B007"), await reaches(world, "A012")
        await asyncio.sleep(30)
        assert not stored(world, "A013"), "it is paused by itself"
        await is_held(world, "S003", HeldCode.NAME_TAKEN)
        order_by_hand(world.offload, "A013", paused=False)
        await reaches(world, "A013")
        return first.roll_id, second.roll_id

    rush, other = play(world, scene)
    assert parcels_taken.index(rush) < parcels_taken.index(other)
    last_of_rush = max(i for i, roll_id in enumerate(parcels_taken) if roll_id == rush)
    assert parcels_taken.index(other) > last_of_rush - 4


def test_a_held_storage_roll_stays_held_over_a_restart() -> None:
    """A storage error is not forgotten because the power went."""
    world = World(25)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=6))
        await moves(world, "A012")
        world.processing.disk.fail_next("write", errno.EIO, times=3)
        await is_held(world, "A012", HeldCode.STORAGE_ERROR)
        await world.processing.lose_power()
        await asyncio.sleep(60)
        await is_held(world, "A012", HeldCode.STORAGE_ERROR)
        await is_held(world, "A012", HeldCode.STORAGE_ERROR, box=world.processing)

    play(world, scene)
    assert not stored(world, "A012")


def test_the_landing_time_is_foretold_and_progress_shown() -> None:
    """While a roll moves, the offload box knows how much, and by when it will be there."""
    world = World(26)
    seen: list[tuple[int, int | None]] = []

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=40))
        await moves(world, "A012")
        while (row := row_of(world.offload, "A012")) and row.stage is not Stage.READY:
            seen.append((row.moved_bytes, row.expected_utc_ms))
            await asyncio.sleep(0.2)

    play(world, scene)
    moved = [bytes_now for bytes_now, _ in seen]
    assert moved == sorted(moved)
    with world.offload.journal.read() as db:
        assert all(row.moved_bytes == row.total_bytes for row in rolls.all_rolls(db))


# A way that breaks


def test_a_broken_session_leaves_no_mark_on_the_hand_off() -> None:
    """Marked as cancelled, the next time limit would end it on Python 3.11.2, without a word."""
    world = World(31)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await moves(world, "A012")
        handing = [task for task in asyncio.all_tasks() if task.get_name() == "Handover"]
        assert len(handing) == 1
        world.net.cut()
        await asyncio.sleep(30)
        world.net.join()
        await reaches(world, "A012")
        assert not handing[0].done()
        assert handing[0].cancelling() == 0

    play(world, scene)


@pytest.mark.parametrize("while_", ["the source is read", "the answer is written down"])
def test_a_file_asked_for_again_during_an_offer_is_not_forgotten(
    monkeypatch: pytest.MonkeyPatch, while_: str
) -> None:
    """What the storage asks for while a roll is being offered is answered by the next offer.

    It was forgotten, and the roll stayed on its way for ever (seeds 6508 and 31671 once).
    """
    world = World(1)
    read: list[str] = []
    at = {"the source is read": "check_source", "the answer is written down": "note_taken"}[while_]

    def asks_again(name: str) -> None:
        if name == at and read.count(LAST) == 0 and "asked" not in read:
            read.append("asked")
            handover = world.offload.parts.handover  # type: ignore[union-attr]
            assert handover is not None
            handover._resend(row_of(world.offload, "A012").roll_id, LAST)  # type: ignore[union-attr]

    note = OutgoingBook.note_taken

    def checking(sources: Sources, outgoing: Outgoing, path: str) -> None:
        asks_again("check_source")
        read.append(path)
        check_source(sources, outgoing, path)

    def noting(self: OutgoingBook, *given: Any) -> None:
        note(self, *given)
        asks_again("note_taken")

    monkeypatch.setattr("syncd.handoff.resends.check_source", checking)
    monkeypatch.setattr(OutgoingBook, "note_taken", noting)
    files = clips(world, 3)
    put_roll(world, "A012", files)
    if at == "check_source":
        rot(world, "C000.mov", files)

    async def scene() -> None:
        await until(lambda: LAST in read, "the file that was asked for again is read")

    play(world, scene)


def test_a_roll_held_for_its_source_while_it_was_offered_is_offered_again() -> None:
    """A hold that is written down after the answer would else be lifted by nobody (seed 40263)."""
    world = World(1)
    put_roll(world, "A012", clips(world, 3))

    async def scene() -> None:
        await moves(world, "A012")
        row = row_of(world.offload, "A012")
        assert row is not None
        error = HeldError(
            HeldCode.SOURCE_UNREADABLE, "Clips/C001.mov cannot be read.", remedy="Mount it."
        )
        for box in (world.offload, world.processing):
            assert box.parts is not None
            journal, now = box.parts.journal, world.offload.clock.utc_ms()
            record_held(journal, row.roll_id, error, now)
        await reaches(world, "A012")

    play(world, scene)
