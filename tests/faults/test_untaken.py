"""A new journal, and one thing on the storage that cannot be used: it is said, the rest goes on."""

import asyncio
import errno
import logging
import os
from collections.abc import Callable

import pytest

from syncd.journal.journal import Journal
from syncd.limits import RESCAN_S
from syncd.ports import Folder
from syncd.roll.stages import HeldCode
from syncd.storage.untaken import Untaken
from tests.faults.scenes import (
    clips,
    cut_small,
    is_held,
    moves,
    order_by_hand,
    play,
    put_roll,
    reaches,
    row_of,
    until,
)
from tests.faults.world import DAY, STORAGE, World

NAMES = ("A012", "B007", "S003")
STRANGE_ID = "2" * 32


@pytest.fixture(autouse=True)
def small_parcels(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut rolls finely."""
    cut_small(monkeypatch)


def untaken(world: World) -> Untaken:
    """Return what the processing box says it could not take up."""
    assert world.processing.parts is not None
    assert world.processing.parts.adopting is not None
    return world.processing.parts.adopting.untaken


def fail_at(world: World, end: str, code: int, *, op: str = "") -> None:
    """Let the processing box's disk fail at whatever it does with paths that end so."""

    def at_op(doing: str, path: str) -> None:
        if path.endswith(end) and doing in (op or doing):
            raise OSError(code, os.strerror(code), path)

    world.processing.disk.at_op = at_op


async def all_published(world: World) -> dict[str, str]:
    """Let all rolls become ready, cut the cable; return their ids."""
    for name in NAMES:
        put_roll(world, name, clips(world))
    for name in NAMES:
        await reaches(world, name)
    await asyncio.sleep(5.0)
    world.net.cut()
    return {row.name: row.roll_id for row in world.processing.rows()}


async def lose_journal(world: World, meddle: Callable[[Folder], None] = lambda _: None) -> None:
    """Let the processing box come back with an empty journal, after something was done to it."""
    await world.processing.lose_power()
    with world.processing.disk.untroubled():
        meddle(world.processing.disk.open_folder(STORAGE))
        world.processing.disk.settle()
    world.processing.journal = Journal(None)


async def others_are_ready(world: World) -> None:
    """Wait for all rolls but the first."""
    for name in NAMES[1:]:
        await reaches(world, name, box=world.processing)


@pytest.mark.parametrize("code", [errno.EIO, errno.EACCES])
def test_one_file_that_cannot_be_read_holds_its_roll_alone(code: int) -> None:
    """Held with the file and what to do; the others are listed, and it is once that is mended."""
    world = World(31)

    async def scene() -> None:
        await all_published(world)
        fail_at(world, "A012/Clips/C001.mov", code, op="open_read")
        await lose_journal(world)
        held = await is_held(world, "A012", HeldCode.STORAGE_ERROR, box=world.processing)
        assert held.path == "Clips/C001.mov"
        assert f"{DAY}/A012: Clips/C001.mov" in held.message
        assert "syncd go" in held.message
        assert ("owner" in held.message) == (code == errno.EACCES)
        await others_are_ready(world)
        world.processing.disk.at_op = None
        order_by_hand(world.processing, "A012", go=True)
        await reaches(world, "A012", box=world.processing)
        assert not untaken(world).problem()

    play(world, scene)
    world.check_nothing_false()


def test_a_record_that_cannot_be_read_is_named_and_tried_again(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Its roll is not known, so `check` names the record; said once; taken up when it is mended."""
    world = World(32)
    ids: list[str] = []

    async def scene() -> None:
        ids.append((await all_published(world))["A012"])
        fail_at(world, f".syncd/rolls/{ids[0]}", errno.EACCES, op="read_file")
        await lose_journal(world)
        await others_are_ready(world)
        await asyncio.sleep(RESCAN_S / 2)
        assert row_of(world.processing, "A012") is None
        assert f".syncd/rolls/{ids[0]} (Permission denied)" in untaken(world).problem()
        assert "owner, permissions" in untaken(world).remedy()
        world.processing.disk.at_op = None
        await reaches(world, "A012", box=world.processing)
        await until(lambda: not untaken(world).problem(), "nothing is amiss", limit_s=2 * RESCAN_S)

    with caplog.at_level(logging.WARNING, "syncd.storage.untaken"):
        play(world, scene)
    said = [r for r in caplog.records if r.name == "syncd.storage.untaken"]
    # Of the roll's copy in incoming, which lies there until the record is whole, it is said, too.
    assert sum(f".syncd/rolls/{ids[0]}" in r.getMessage() for r in said) == 1
    assert len({r.getMessage() for r in said}) == len(said)
    world.check_nothing_false()


def test_a_storage_that_passes_away_meanwhile_is_no_trouble_of_one_record() -> None:
    """Taken away while its rolls are read back: nothing is held, and all go on when it is back."""
    world = World(33)

    async def scene() -> None:
        await all_published(world)

        def at_op(doing: str, path: str) -> None:
            if doing == "open_read" and "A012/" in path:
                world.processing.disk.take_away(STORAGE)

        world.processing.disk.at_op = at_op
        await lose_journal(world)
        await asyncio.sleep(20.0)
        assert not any(row.held for row in world.processing.rows())
        assert not untaken(world).problem()
        world.processing.disk.at_op = None
        world.processing.disk.bring_back(STORAGE)
        for name in NAMES:
            await reaches(world, name, box=world.processing)

    play(world, scene)
    world.check_nothing_false()


def _file_in_incoming(folder: Folder) -> None:
    folder.make_folders(".syncd/incoming")
    folder.make_new_file(f".syncd/incoming/{STRANGE_ID}", b"x" * 700)


def _link_in_incoming(folder: Folder) -> None:
    folder.make_folders(".syncd/incoming")
    folder.make_link(f".syncd/incoming/{STRANGE_ID}", "/etc")  # type: ignore[attr-defined]


@pytest.mark.parametrize("meddle", [_file_in_incoming, _link_in_incoming])
def test_what_is_no_folder_in_incoming_is_named_and_stops_nothing(
    meddle: Callable[[Folder], None],
) -> None:
    """It may even be named like a roll's id: it belongs to no roll."""
    world = World(34)

    async def scene() -> str:
        await all_published(world)
        await lose_journal(world, meddle)
        for name in NAMES:
            await reaches(world, name, box=world.processing)
        assert world.processing.parts is not None
        assert world.processing.parts.adopting is not None
        return world.processing.parts.adopting.problem()

    assert STRANGE_ID in play(world, scene)


def test_what_windows_leave_in_any_folder_is_no_trouble() -> None:
    """Browsed from a desktop, the storage is as well as before, with a journal or without."""
    world = World(36)

    def meddle(folder: Folder) -> None:
        for place in (
            "",
            f"{DAY}/",
            f"{DAY}/A012/",
            ".syncd/",
            ".syncd/incoming/",
            ".syncd/rolls/",
        ):
            folder.make_folders(place.strip("/") or ".syncd")
            for name in (".DS_Store", "._A012", "Thumbs.db"):
                folder.make_new_file(f"{place}{name}", b"x")

    async def scene() -> None:
        await all_published(world)
        await lose_journal(world, meddle)
        for name in NAMES:
            await reaches(world, name, box=world.processing)
        assert untaken(world).problem() == ""
        assert world.processing.parts is not None
        assert world.processing.parts.adopting is not None
        assert world.processing.parts.adopting.problem() == ""

    play(world, scene)


def test_an_entry_of_incoming_that_cannot_be_looked_at_stops_nothing() -> None:
    """It is named, with why."""
    world = World(35)

    def meddle(folder: Folder) -> None:
        folder.make_folders(f".syncd/incoming/{STRANGE_ID}")

    async def scene() -> str:
        await all_published(world)
        fail_at(world, f"incoming/{STRANGE_ID}/inventory", errno.EIO)
        await lose_journal(world, meddle)
        for name in NAMES:
            await reaches(world, name, box=world.processing)
        return untaken(world).problem()

    assert f".syncd/incoming/{STRANGE_ID} (Input/output error)" in play(world, scene)


def test_a_file_where_the_records_should_be_bars_no_begun_roll() -> None:
    """No record can be read, and that is said; what is in incoming is taken up."""
    world = World(36)

    def meddle(folder: Folder) -> None:
        folder.remove_tree(".syncd/rolls")
        folder.make_new_file(".syncd/rolls", b"x")

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await moves(world, "A012", 40_000)
        world.net.cut()
        await lose_journal(world, meddle)
        await until(lambda: row_of(world.processing, "A012"), "it is taken up")
        assert ".syncd/rolls (Not a directory)" in untaken(world).problem()
        assert "move it away" in untaken(world).remedy()

    play(world, scene)


@pytest.mark.parametrize("what", ["rubbish", "a folder", "a link"])
def test_a_record_that_is_none_is_named_as_long_as_its_roll_is_not_listed(what: str) -> None:
    """With what to do about it; also after the next start, which finds it already kept aside."""
    world = World(37)

    async def scene() -> None:
        ids = await all_published(world)
        path = f".syncd/rolls/{ids['A012']}"

        def meddle(folder: Folder) -> None:
            data = folder.read_file(path, bytes_max=1 << 20)
            folder.remove_file(path)
            folder.make_new_file(".syncd/kept", data)
            if what == "rubbish":
                folder.make_new_file(path, b"x" * 500)
            elif what == "a folder":
                folder.make_folders(path)
            else:
                folder.make_link(path, "/etc/hosts")  # type: ignore[attr-defined]

        def mend(folder: Folder) -> None:
            if folder.stat(path) is not None:
                (folder.remove_tree if what == "a folder" else folder.remove_file)(path)
            folder.rename_new(".syncd/kept", path)

        async def is_named() -> None:
            await others_are_ready(world)
            await until(lambda: path in untaken(world).problem(), "it is named", limit_s=5.0)
            assert row_of(world.processing, "A012") is None
            assert "from a copy" in untaken(world).remedy()

        await lose_journal(world, meddle)
        await is_named()
        await lose_journal(world)
        await is_named()
        await lose_journal(world, mend)
        await reaches(world, "A012", box=world.processing)
        await until(lambda: not untaken(world).problem(), "nothing is amiss", limit_s=2 * RESCAN_S)

    play(world, scene)
    world.check_nothing_false()


def test_a_roll_without_a_good_record_is_listed_when_it_is_handed_over_again() -> None:
    """It is compared with what lies there, and does not travel."""
    world = World(38)

    async def scene() -> None:
        ids = await all_published(world)
        path = f".syncd/rolls/{ids['A012']}"

        def meddle(folder: Folder) -> None:
            folder.replace_file(path, b"x" * 500)

        await lose_journal(world, meddle)
        await others_are_ready(world)
        await until(lambda: path in untaken(world).problem(), "it is named", limit_s=5.0)
        await world.offload.lose_power()
        world.offload.journal = Journal(None)  # it finds the roll on its landing, and offers it
        world.net.join()
        await reaches(world, "A012", box=world.processing)
        await until(lambda: not untaken(world).problem(), "nothing is amiss", limit_s=2 * RESCAN_S)

    play(world, scene)
    world.check_nothing_false()
