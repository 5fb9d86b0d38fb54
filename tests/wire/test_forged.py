"""Forged announcements: anybody may announce anything, as often as it likes.

The paired peer is found, the log stays short and nothing grows; over real multicast on loopback.
"""

import asyncio
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from zeroconf import IPVersion
from zeroconf._dns import DNSPointer
from zeroconf._protocol.outgoing import DNSOutgoing
from zeroconf.asyncio import AsyncServiceInfo, AsyncZeroconf
from zeroconf.const import _CLASS_IN, _FLAGS_AA, _FLAGS_QR_RESPONSE, _TYPE_PTR

from syncd.repeats import Repeats
from syncd.roll.names import shown
from syncd.wire import discovery
from syncd.wire.announcement import (
    SERVICE_TYPE,
    Announcement,
    instance_name,
    is_name_of,
    txt_record,
)
from syncd.wire.discovery import NAMES_WAITING_MAX, ODD_NAMES_MAX, Discovery
from syncd.wire.multicast import works_here
from syncd.wire.peers import ADDRESSES_MAX, STRANGERS_MAX, PeerBook, TrustedPeer
from tests.wire.conftest import WallClock
from tests.wire.test_discovery import LOOPBACK, OFFLOAD, PROBED, PROCESS, _until, running

WRONG = ("127.0.0.66", 1)
REAL_PORT = 8840


class Listening:
    """The offload box, which has paired process-1 and listens; what it found is in book."""

    def __init__(self, clock: WallClock) -> None:
        peer = TrustedPeer("process-1", PROCESS)
        self.book = PeerBook(OFFLOAD, [peer])
        self.node = node(
            "offload-1",
            OFFLOAD,
            clock,
            self.book,
            is_expected=lambda name: is_name_of(name, peer.name, peer.fingerprint),
        )

    def has_found_the_real_one(self) -> bool:
        return ("127.0.0.1", REAL_PORT) in self.book.addresses("process-1")


def node(
    name: str, fingerprint: str, clock: WallClock, book: PeerBook, **more: object
) -> Discovery:
    """Make a box on loopback."""
    return Discovery(
        name=name,
        fingerprint=fingerprint,
        roles=["processing"],
        port=REAL_PORT,
        clock=clock,
        found=book.found,
        lost=book.lost,
        interfaces=LOOPBACK,
        **more,  # type: ignore[arg-type]
    )


@pytest.fixture
async def clock_where_multicast_passes(
    clock: WallClock, monkeypatch: pytest.MonkeyPatch, nothing_left: None
) -> WallClock:
    """Return the clock, where multicast passes on loopback."""
    del nothing_left
    monkeypatch.setattr(discovery, "POLL_S", 0.1)
    if not PROBED:
        PROBED.append(await works_here(clock, LOOPBACK))
    if not PROBED[0]:
        pytest.skip("multicast does not pass on this machine's loopback")
    return clock


@asynccontextmanager
async def forger() -> AsyncIterator[AsyncZeroconf]:
    """Be somebody on the network."""
    stranger = AsyncZeroconf(interfaces=list(LOOPBACK), ip_version=IPVersion.V4Only)
    await stranger.zeroconf.async_wait_for_start()
    try:
        yield stranger
    finally:
        await stranger.async_close()


def announce(
    stranger: AsyncZeroconf, label: str, fingerprint: str, *, is_whole: bool = True
) -> None:
    """Say once that label is at the wrong address; not whole: only that it is there."""
    name = f"{label}.{SERVICE_TYPE}"
    said = DNSOutgoing(_FLAGS_QR_RESPONSE | _FLAGS_AA)
    said.add_answer_at_time(DNSPointer(SERVICE_TYPE, _TYPE_PTR, _CLASS_IN, 4500, name), 0)
    if is_whole:
        info = AsyncServiceInfo(
            SERVICE_TYPE,
            name,
            port=WRONG[1],
            properties=txt_record(fingerprint, ["processing"]),
            server="forged.local.",
            parsed_addresses=[WRONG[0]],
        )
        for record in (info.dns_service(), info.dns_text(), *info.dns_addresses()):
            said.add_answer_at_time(record, 0)
    stranger.zeroconf.async_send(said)


async def test_a_peer_is_found_among_thousands_of_forged_names(
    clock_where_multicast_passes: WallClock, caplog: pytest.LogCaptureFixture
) -> None:
    """Names that lead nowhere take seconds each; no peer waits behind them."""
    caplog.set_level(logging.INFO, logger="syncd")
    clock = clock_where_multicast_passes
    listening = Listening(clock)
    async with forger() as stranger, running(listening.node):
        await _until(lambda: listening.node.state == "announced")
        for number in range(2000):
            odd = "\x1b[2J" if number < 3 else "\u202e"
            announce(stranger, f"forged{odd}{number}", OFFLOAD, is_whole=False)
            if number % 50 == 0:
                await asyncio.sleep(0)
        await _until(lambda: listening.node._others.qsize() >= NAMES_WAITING_MAX // 4)
        async with running(node("process-1", PROCESS, clock, PeerBook(PROCESS))):
            await _until(listening.has_found_the_real_one)

    told = [record for record in caplog.records if record.name.startswith("syncd")]
    assert len([each for each in told if each.levelno >= logging.WARNING]) <= ODD_NAMES_MAX + 2
    assert all(shown(record.getMessage()) == record.getMessage() for record in told)
    assert len(listening.node._waiting) <= 2 * NAMES_WAITING_MAX


async def test_a_peer_is_reached_beside_forged_announcements_of_its_own_fingerprint(
    clock_where_multicast_passes: WallClock,
) -> None:
    """Somebody says, again and again, that the paired peer is elsewhere, under any of its names."""
    clock = clock_where_multicast_passes
    listening = Listening(clock)
    labels = [instance_name(name, PROCESS) for name in ("process-1", "process-2", "offload-1")]
    async with forger() as stranger, running(listening.node):
        await _until(lambda: listening.node.state == "announced")
        for label in labels[1:]:
            announce(stranger, label, PROCESS)
        async with running(node("process-1", PROCESS, clock, PeerBook(PROCESS))):
            await _until(listening.has_found_the_real_one)
            for _ in range(5):
                for label in labels:
                    announce(stranger, label, PROCESS)
                await asyncio.sleep(0.2)
            await _until(lambda: WRONG in listening.book.addresses("process-1"))
            assert listening.has_found_the_real_one()


async def test_forged_announcements_of_ourselves_change_nothing(
    clock_where_multicast_passes: WallClock, caplog: pytest.LogCaptureFixture
) -> None:
    """Our own name and fingerprint, from elsewhere: no peer, no new name, no noise."""
    caplog.set_level(logging.INFO, logger="syncd")
    listening = Listening(clock_where_multicast_passes)
    own = instance_name("offload-1", OFFLOAD)
    async with forger() as stranger, running(listening.node):
        await _until(lambda: listening.node.state == "announced")
        for _ in range(10):
            announce(stranger, own, OFFLOAD)
            await asyncio.sleep(0.05)
        assert listening.node._info is not None
        assert listening.node._info.name == f"{own}.{SERVICE_TYPE}"
        assert listening.node.rebuilds == 1
    # Boxes of other tests may be heard here, too.
    assert OFFLOAD not in {row["fingerprint"] for row in listening.book.listing(0)}
    told = [each for each in caplog.records if own in each.getMessage()]
    assert not [each for each in told if each.levelno >= logging.WARNING]


def test_twelve_hours_of_one_forged_announcement_a_second_fill_nothing() -> None:
    """Each with a fingerprint, a name and an address of its own, or with the paired peer's."""
    book = PeerBook(OFFLOAD, [TrustedPeer("process-1", PROCESS)])
    book.found(Announcement(PROCESS, "process-1", ()), [("10.20.0.2", 8840)])
    for second in range(12 * 3600):
        address = (f"10.{second >> 16}.{second >> 8 & 255}.{second & 255}", 8840)
        book.found(Announcement(f"sha256:{second:064x}", f"forged {second}", ()), [address])
        book.found(Announcement(PROCESS, f"forged {second}", ()), [address] * 20)
        assert len(book.addresses("process-1")) <= ADDRESSES_MAX
    assert book.addresses("process-1")[0] == ("10.20.0.2", 8840)
    assert len(book.listing(0)) == 1 + STRANGERS_MAX


def test_a_flood_of_names_is_told_in_a_few_lines_an_hour(
    clock: WallClock, caplog: pytest.LogCaptureFixture
) -> None:
    """Some by name, the rest together."""
    box = node("offload-1", OFFLOAD, clock, PeerBook(OFFLOAD))
    for number in range(5000):
        box._tell(f"forged {number}", f"forged {number} makes no sense")
    assert len(caplog.records) <= ODD_NAMES_MAX + 1
    assert isinstance(box._repeats, Repeats)
    assert len(box._odd) == ODD_NAMES_MAX


@pytest.mark.parametrize(
    ("label", "is_its"),
    [
        ("process-1 bbbbbb", True),
        ("process-1 bbbbbb-2", True),
        ("process-1 bbbbbb-22", False),
        ("process-1 bbbbb", False),
        ("process-2 bbbbbb", False),
        ("process-1 aaaaaa", False),
    ],
)
def test_a_peer_has_few_names(label: str, *, is_its: bool) -> None:
    """Its own, and nine that it may take if that one is taken."""
    assert is_name_of(f"{label}.{SERVICE_TYPE}", "process-1", PROCESS) == is_its
