"""What happens to a roll's source under our hands, and what a person does about it.

Owns: changes, removals, renames, unreadable and vanished sources, bits flipped; and mending them.
"""

import asyncio
import errno
import random

from syncd.roll.stages import HeldCode
from tests.faults.strikes_net import Strike
from tests.faults.world import DAY, LANDING, Shot, World, write_right

OF_A_SOURCE = {
    HeldCode.SOURCE_CHANGED,
    HeldCode.SOURCE_UNREADABLE,
    HeldCode.FILE_MISSING,
    HeldCode.FILE_UNLISTED,
    HeldCode.EVIDENCE_MISMATCH,
    HeldCode.READ_BACK_MISMATCH,  # seen first, and twice, by the storage
}


def _harm(world: World, rng: random.Random) -> tuple[Shot, str] | None:
    """Choose a roll and one of its files to be harmed."""
    if not world.shots:
        return None
    shot = rng.choice(world.shots)
    world.harmed.add(shot.name)
    world.may_forget = True
    world.allowed |= OF_A_SOURCE
    world.allowed.add(HeldCode.NAME_TAKEN)  # it may be verified as it is now, beside what landed
    return shot, rng.choice(sorted({**shot.files, **shot.evidence}))


def _heard(world: World, rng: random.Random, shot: Shot) -> None:
    if rng.random() < 0.7:  # events get lost
        world.touch(shot)


async def _mended_later(world: World, rng: random.Random, shot: Shot) -> None:
    """Have the landing hear of a harm, and a person put it right after a while."""
    _heard(world, rng, shot)
    await asyncio.sleep(rng.uniform(0.0, 12.0))
    mend(world, shot)
    _heard(world, rng, shot)


async def changed(world: World, rng: random.Random) -> None:
    """Somebody writes into a file; later it is put back as it was."""
    harm = _harm(world, rng)
    if harm is None:
        return
    shot, path = harm
    with world.offload.disk.untroubled():
        folder = world.offload.disk.open_folder("/")
        whole = f"{shot.folder}/{path}".strip("/")
        if folder.stat(whole) is None:
            return
        world.strike("source changed")
        folder.replace_file(whole, rng.randbytes(rng.randrange(4000)))
        world.offload.disk.settle()
    await _mended_later(world, rng, shot)


async def removed(world: World, rng: random.Random) -> None:
    """Somebody removes a file; later it is brought again."""
    harm = _harm(world, rng)
    if harm is None:
        return
    shot, path = harm
    with world.offload.disk.untroubled():
        folder = world.offload.disk.open_folder("/")
        if folder.stat(f"{shot.folder}/{path}".strip("/")) is None:
            return
        world.strike("source file removed")
        folder.remove_file(f"{shot.folder}/{path}".strip("/"))
        world.offload.disk.settle()
    await _mended_later(world, rng, shot)


async def renamed(world: World, rng: random.Random) -> None:
    """The roll's folder is called something else for a while, out of the landing or in it."""
    harm = _harm(world, rng)
    if harm is None:
        return
    shot, _ = harm
    aside = f"{shot.landing}/{rng.choice(('.trash', DAY))}/.{shot.name}-aside".strip("/")
    if not _rename(world, shot.folder.strip("/"), aside):
        return
    world.strike("roll renamed or vanished, and back")
    _heard(world, rng, shot)
    try:
        await asyncio.sleep(rng.uniform(0.0, 12.0))
    finally:
        _rename(world, aside, shot.folder.strip("/"))
    _heard(world, rng, shot)


def _rename(world: World, source: str, target: str) -> bool:
    with world.offload.disk.untroubled():
        root = world.offload.disk.open_folder("/")
        if root.stat(source) is None or root.stat(target) is not None:
            return False
        root.make_folders(target.rpartition("/")[0])
        root.rename_new(source, target)
        world.offload.disk.settle()
    return True


async def unreadable(world: World, rng: random.Random) -> None:
    """The source's disk fails to read for a while."""
    world.allowed |= OF_A_SOURCE
    world.may_forget = True
    for _ in range(rng.randrange(1, 4)):
        op = rng.choice(("read", "open_read", "scan", "stat", "file_stat", "read_file", "close"))
        world.offload.disk.fail_next(op, errno.EIO, times=rng.randrange(1, 4))


async def landing_gone(world: World, rng: random.Random) -> None:
    """Take a whole landing away, and bring it back."""
    world.allowed |= OF_A_SOURCE
    world.may_forget = True
    instead = rng.random() < 0.4
    world.strike("landing gone" + (", another at its path" if instead else ""))
    landing = rng.choice(world.landings)
    world.offload.disk.take_away(landing, lazily=rng.random() < 0.3, instead=instead)
    await asyncio.sleep(rng.uniform(0.1, 15.0))
    world.offload.disk.bring_back(landing)
    if world.offload.parts is not None and not world.offload.is_down and rng.random() < 0.7:
        for each in world.offload.parts.landings:
            each.look_again()


async def flipped(world: World, rng: random.Random) -> None:
    """A bit of a source file is not what it was, and nothing else shows it."""
    harm = _harm(world, rng)
    if harm is None:
        return
    shot, path = harm
    data = world.offload.disk.files_below(shot.folder).get(path)
    if data:
        world.strike("bit flipped at rest, source")
        world.offload.disk.flip(f"{shot.folder}/{path}", rng.randrange(len(data)), rng.randrange(8))


def mend(world: World, shot: Shot) -> None:
    """Offload a roll again as it should be: what is right already is not touched."""
    with world.offload.disk.untroubled():
        root = world.offload.disk.open_folder("/")
        for path, data in {**shot.files, **shot.evidence}.items():
            write_right(root, f"{shot.folder}/{path}".strip("/"), data)
        world.offload.disk.settle()


async def written_slowly(world: World, rng: random.Random, shot: Shot) -> None:
    """Let a roll come file by file and piece by piece while it is watched; its list comes last."""
    world.strike("roll written slowly")
    root = shot.folder.strip("/")
    for path, data in [*shot.files.items(), *shot.evidence.items()]:
        cuts = sorted(rng.randrange(len(data) + 1) for _ in range(rng.randrange(3)))
        if path in shot.evidence:
            # Whole without its last line's end, it may be on its way before that would come, and
            # then wait for a person to take it off again.
            cuts = [cut if cut < len(data.rstrip()) else len(data) for cut in cuts]
        for begin, end in zip([0, *cuts], [*cuts, len(data)], strict=True):
            if begin == len(data) and path in shot.evidence:
                # It was whole already: verified, and perhaps read, before it is touched once more.
                world.allowed.add(HeldCode.SOURCE_CHANGED)
            with world.offload.disk.untroubled():
                folder = world.offload.disk.open_folder("/")
                folder.make_folders(f"{root}/{path}".rpartition("/")[0])
                file = folder.open_write(f"{root}/{path}")
                file.write([memoryview(data)[begin:end]], begin)
                file.close()
                world.offload.disk.settle()
            _heard(world, rng, shot)
            await asyncio.sleep(rng.choice((0.0, 0.1, 1.0)) * rng.random())


STRIKES: dict[str, Strike] = {
    "changed": changed,
    "removed": removed,
    "renamed": renamed,
    "unreadable": unreadable,
    "landing-gone": landing_gone,
    "source-flip": flipped,
}

__all__ = ["LANDING", "STRIKES", "mend", "written_slowly"]
