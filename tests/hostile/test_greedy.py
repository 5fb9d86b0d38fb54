"""A paired peer that offers and sends more than there is room for, on a real small ext4.

What is to be kept free stays free; and the honest box's small roll lands, or waits for room and
says so.
"""

import asyncio
import threading
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

import pytest
import xxhash

from syncd.limits import MIB, PENDING_PER_PEER_MAX
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.parcels import ParcelPlan
from syncd.wire.lane_events import ParcelHead
from syncd.wire.messages import OfferAnswer, OfferKind
from tests.boxes import DAY, Pair, wait_until
from tests.faults.real_mounts import SmallDisk, why_no_loop
from tests.hostile.honest import place
from tests.hostile.peer import Calls, HostilePeer, zeros_for

pytestmark = pytest.mark.skipif(bool(why_no_loop()), reason=why_no_loop())

DISK_BYTES = 320 * MIB
KEEP_FREE_BYTES = 128 * MIB
ROLLS, ROLL_BYTES = 8, 150 * MIB
LANES = 4
PAPERS_BYTES = 4 * MIB  # lists, records and folders, which no parcel announces


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[SmallDisk]:
    """Give a small ext4, mounted."""
    with SmallDisk(tmp_path / "disk", DISK_BYTES) as mounted:
        yield mounted


class Watch:
    """Looks again and again at how little is free on a disk."""

    def __init__(self, disk: SmallDisk) -> None:
        self._disk = disk
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look)
        self.least_bytes = disk.free_bytes()

    def _look(self) -> None:
        while not self._over.wait(0.01):
            self.least_bytes = min(self.least_bytes, self._disk.free_bytes())

    def __enter__(self) -> "Watch":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()


def _greedy_roll(number: int) -> Inventory:
    """Return a roll of zeros that is right, and as long as no other one."""
    size = ROLL_BYTES - number
    digest = Digest(Algorithm.XXH64, xxhash.xxh64_digest(bytes(size)))
    return Inventory(DAY, f"G{number:03}", (FileEntry("Clips/C001.mov", size, 1, (digest,)),))


async def _offer_all(calls: Calls, rolls: list[Inventory]) -> list[Inventory]:
    """Offer all rolls, many at a time; return those that were taken."""
    taken = []
    for first in range(0, len(rolls), PENDING_PER_PEER_MAX):
        some = rolls[first : first + PENDING_PER_PEER_MAX]
        answers = await asyncio.gather(*(calls.offer(roll) for roll in some))
        for roll, answer in zip(some, answers, strict=True):
            if isinstance(answer, OfferAnswer) and answer.kind is OfferKind.TAKE:
                taken.append(roll)
    return taken


async def _send_all(calls: Calls, rolls: list[Inventory]) -> list[str]:
    """Send every parcel of all rolls, on several lanes at a time; return what was said."""
    heads = []
    for roll in rolls:
        plan = ParcelPlan(roll)
        for number in range(plan.count):
            length, pieces = plan.length_bytes(number), len(plan.pieces(number))
            heads.append(
                ParcelHead(
                    roll_id=roll.roll_id, number=number, data_bytes=length, piece_count=pieces
                )
            )

    async def lane(own: list[ParcelHead]) -> list[str]:
        return [await calls.say_on_a_lane("send", head, plain=zeros_for(head)) for head in own]

    said = await asyncio.gather(*(lane(heads[first::LANES]) for first in range(LANES)))
    return list(chain(*said))


def test_a_greedy_peer_leaves_what_is_to_be_kept_free(disk: SmallDisk, tmp_path: Path) -> None:
    """Rolls that would fit alone, offered at once and sent on several lanes."""
    greedy = HostilePeer("offload-2", "offload", tmp_path)
    pair = Pair(tmp_path / "pair", storage=disk.path)
    pair.configure(processing=f"keep_free = {KEEP_FREE_BYTES}\n{greedy.table()}")

    async def attack() -> tuple[int, list[str]]:
        async with greedy.calling(pair.processing) as calls:
            taken = await _offer_all(calls, [_greedy_roll(number) for number in range(ROLLS)])
            return len(taken), await _send_all(calls, taken)

    with pair, Watch(disk) as watch:
        taken, said = asyncio.run(attack())
        assert taken == 1, "each would fit alone, two do not"
        assert any("Confirmed" in each for each in said), "there was room for some"
        place(pair, tmp_path, "A001", 8 * MIB)  # more than is left

        def held() -> dict[str, str]:
            row = pair.offload.rolls().get("A001") or {}
            return row.get("held") or {}

        wait_until(lambda: held().get("code") == "storage-full", 60, "held", state=held)
        assert "are to be kept free" in held()["message"]
        assert "the roll goes on by itself" in held()["message"]
        assert pair.processing.answers()
    assert watch.least_bytes >= KEEP_FREE_BYTES - PAPERS_BYTES
