"""Boxes that are paired and forgotten while rolls move: taken up and cut at once, at both ends."""

import asyncio
from dataclasses import replace

import pytest

from syncd.config.shapes import DestinationConfig
from syncd.handoff.presence import NOT_PAIRED
from syncd.parts import Parts
from syncd.wire.keys import LaneKeys
from syncd.wire.messages import PeerIdentity
from syncd.wire.peers import TrustedPeer
from syncd.wire.tickets import Redeemed
from tests.faults.scenes import clips, cut_small, is_up, play, put_roll, reaches, row_of, until
from tests.faults.world import Box, World


@pytest.fixture(autouse=True)
def small_parcels(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut rolls finely."""
    cut_small(monkeypatch)


def parts_of(box: Box) -> Parts:
    """Return the parts that run on a box."""
    assert box.parts is not None
    return box.parts


def forget(box: Box, name: str) -> TrustedPeer:
    """Do what a node does when a person forgets a peer."""
    peer = box.book.trusted_by_name(name)
    assert peer is not None
    box.book.forget(peer.fingerprint)
    parts_of(box).let_go(peer)
    return peer


def trust(box: Box, peer: TrustedPeer) -> None:
    """Do what a node does when a person pairs a peer."""
    box.book.trust(peer)
    parts_of(box).follow_book()


def lanes_of(box: Box) -> int:
    """Return how many lanes ride on a box that is dialled."""
    return len(parts_of(box).lanes._now())


async def _moves(world: World, name: str) -> None:
    def moves() -> bool:
        row = row_of(world.offload, name)
        return row is not None and 0 < row.moved_bytes < row.total_bytes

    await until(moves, "it moves")


@pytest.mark.parametrize("seed", range(5))
def test_the_storage_forgets_a_peer_in_mid_roll_and_takes_it_again(seed: int) -> None:
    """Its lanes end at that moment, no parcel more arrives, no ticket of before opens a lane."""
    world = World(seed)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=6, size=200_000))
        await _moves(world, "A012")
        assert lanes_of(world.processing) > 0
        peer = forget(world.processing, "offload-1")
        await asyncio.sleep(0.01)
        assert lanes_of(world.processing) == 0
        received = parts_of(world.processing).stats.payload_bytes
        await asyncio.sleep(20)
        assert lanes_of(world.processing) == 0
        assert parts_of(world.processing).stats.payload_bytes == received
        assert not parts_of(world.processing).presence.troubles(), "nobody is missed"
        row = row_of(world.offload, "A012")
        assert row is not None
        assert row.held is not None
        assert row.held.code == "peer-refused"
        assert "The roll is offered again by itself" in row.held.message
        trust(world.processing, peer)
        await reaches(world, "A012")

    play(world, scene)


@pytest.mark.parametrize("seed", range(5))
def test_the_offload_box_forgets_the_storage_in_mid_roll_and_hands_over_again(seed: int) -> None:
    """The roll is not held: it waits, and says for what; then it goes on where it was."""
    world = World(seed)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=6, size=200_000))
        await _moves(world, "A012")
        peer = forget(world.offload, "process-1")
        await asyncio.sleep(0.5)
        assert lanes_of(world.processing) == 0
        assert parts_of(world.offload).handover is None
        before = row_of(world.offload, "A012")
        await asyncio.sleep(20)
        row = row_of(world.offload, "A012")
        assert row is not None
        assert row == before
        assert row.held is None
        waits = parts_of(world.offload).presence.waits(row)
        assert waits is not None
        assert waits.code == NOT_PAIRED
        assert "syncd pair" in waits.remedy
        trust(world.offload, peer)
        await reaches(world, "A012")
        assert not parts_of(world.offload).presence.troubles()

    play(world, scene)


class Untouched:
    """A link that nobody may use; closing it is fine."""

    is_closed = False

    async def send(self, *_: object) -> None:
        raise AssertionError("a forgotten peer's lane was answered")

    async def receive_into(self, *_: object) -> int:
        raise AssertionError("a forgotten peer's lane was listened to")

    def wake(self) -> None:
        """Nobody waits on it."""

    def close(self) -> None:
        self.is_closed = True


def test_a_lane_whose_ticket_was_taken_just_before_does_nothing() -> None:
    """Between the ticket and the first byte the peer is forgotten: no byte is read or sent."""
    world = World(2)

    async def scene() -> None:
        await until(lambda: is_up(world, world.processing), "it runs")
        parts = parts_of(world.processing)
        peer = world.processing.book.trusted_by_name("offload-1")
        assert peer is not None
        asker = PeerIdentity(peer.name, peer.fingerprint, "offload-1", peer.roles)
        for purpose in ("send", "fetch"):
            _, key = parts.tickets.issue(asker, purpose)
            redeemed = Redeemed(asker, purpose, LaneKeys(key).for_session(bytes(16)))
            forget(world.processing, "offload-1")
            await parts.lane_host.accept(redeemed, Untouched())
            trust(world.processing, peer)

    play(world, scene)


def test_a_destination_that_names_nobody_takes_up_the_one_that_is_paired_and_stops_at_two() -> None:
    """Nothing is sent where a person has not said that it belongs."""
    world = World(3)
    destination = DestinationConfig(name="shared")
    world.offload.config = replace(world.offload.config, destinations=(destination,))
    taken = world.offload.book.trusted_by_name("process-1")
    assert taken is not None
    world.offload.book.forget(taken.fingerprint)
    second = TrustedPeer("process-2", "sha256:" + "2" * 64, roles=frozenset({"processing"}))

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await until(lambda: row_of(world.offload, "A012") is not None, "it is seen")
        (trouble,) = parts_of(world.offload).presence.troubles()
        assert trouble.code == NOT_PAIRED
        trust(world.offload, taken)
        await reaches(world, "A012")
        trust(world.offload, second)
        put_roll(world, "B007", clips(world))
        await asyncio.sleep(20)
        assert not world.processing.rows()[1:]
        (trouble,) = parts_of(world.offload).presence.troubles()
        assert "process-1, process-2" in trouble.message
        forget(world.offload, "process-2")
        await reaches(world, "B007")

    play(world, scene)
