"""The bulk port over real sockets: whole hand-offs, strangers, caps, and a clean end."""

import asyncio
import threading

import pytest

from syncd.limits import LANES_MAX
from syncd.wire import bulk_server
from syncd.wire.frames import frame_bytes
from syncd.wire.keys import Seal
from syncd.wire.lane_events import LaneHello, encode
from tests.wire.bulk_box import LINES, OTHER, PEER, SIZES, SOON_S, box, is_closed_by_them, moves_all

pytestmark = pytest.mark.usefixtures("nothing_left")


both_seals = pytest.mark.parametrize("seal", list(Seal))


@both_seals
async def test_parcels_are_pushed_over_real_sockets(seal: Seal) -> None:
    """Sealed or in clear, written, confirmed once they are durable."""
    async with box(SIZES) as there:
        dialler = await moves_all(there, "send", seal)
    assert there.store.has_all()
    assert sorted(dialler.orders.done) == list(range(len(SIZES)))


@both_seals
async def test_parcels_are_fetched_over_real_sockets(seal: Seal) -> None:
    """The same the other way, over a connection dialled by the end that takes."""
    async with box(SIZES) as there:
        dialler = await moves_all(there, "fetch", seal)
    assert dialler.store.has_all()


async def test_leaving_the_server_ends_lanes_that_are_idle() -> None:
    """Both ends notice; no thread, no task and no link is left."""
    async with box() as there:
        links = [await there.show_ticket() for _ in range(3)]
        await there.until_riding(3)
    for link in links:
        assert await is_closed_by_them(link)


async def test_leaving_the_server_ends_connections_that_have_said_nothing() -> None:
    """A stranger that hangs on the port holds no stopping daemon."""
    async with box() as there:
        stranger = there.say(b"\0\0")
        await asyncio.sleep(0.02)
    assert await is_closed_by_them(stranger)


@pytest.mark.parametrize(
    "first",
    [
        frame_bytes(encode(LaneHello(ticket=b"?" * 16, proof=b"?" * 32))),
        b"GET / HTTP/1.1\r\n\r\n",
        b"\xff\xff\xff\xff",
        frame_bytes(b"\xc1"),
    ],
    ids=["unknown ticket", "http", "4 GiB", "noise"],
)
async def test_whoever_has_no_ticket_is_shown_the_door(first: bytes) -> None:
    """And the port goes on serving those who have one."""
    async with box() as there:
        assert await is_closed_by_them(there.say(first))
        good = await there.show_ticket()
        await there.until_riding(1)
        good.close()


async def test_a_ticket_opens_one_lane() -> None:
    """Shown a second time it opens nothing."""
    async with box() as there:
        ticket, key = there.tickets.issue(PEER, "send")
        first = await there.show(ticket, key)
        await there.until_riding(1)
        assert await is_closed_by_them(await there.show(ticket, key))
        first.close()


async def test_one_peer_cannot_take_all_lanes() -> None:
    """The lane above its number is closed; another peer still gets one."""
    async with box() as there:
        links = [await there.show_ticket() for _ in range(LANES_MAX)]
        await there.until_riding(LANES_MAX)
        assert await is_closed_by_them(await there.show_ticket())
        links.append(await there.show_ticket(OTHER))
        await there.until_riding(1)
        for link in links:
            link.close()


async def test_connections_are_counted_before_anybody_is_known(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Above the cap they are closed unheard, and there is room again once others have gone."""
    monkeypatch.setattr(bulk_server, "BULK_LINKS_MAX", 2)
    async with box() as there:
        links = [await there.show_ticket(), await there.show_ticket()]
        await there.until_riding(2)
        assert await is_closed_by_them(await there.show_ticket())
        assert not there.riding.acquire(blocking=False)
        for link in links:
            link.close()
        await there.until_open(0)
        again = await there.show_ticket()
        await there.until_riding(1)
        again.close()


async def test_a_handler_that_fails_is_logged_and_the_port_lives(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """With its traceback; the connection is closed."""
    async with box() as there:

        async def fail(*_: object) -> None:
            raise ZeroDivisionError

        there.server._handler = fail
        assert await is_closed_by_them(await there.show_ticket())
        await there.until_open(0)
    assert "ZeroDivisionError" in caplog.text


async def test_a_lane_that_hangs_does_not_hold_the_end(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A storage that does not answer is named, and left behind."""
    monkeypatch.setattr(bulk_server, "CLOSE_S", 0.05)
    storage_answers = threading.Event()
    async with box() as there:

        async def hang(*_: object) -> None:
            there.riding.release()
            storage_answers.wait(SOON_S)

        there.server._handler = hang
        link = await there.show_ticket()
        await there.until_riding(1)
    assert "does not answer" in caplog.text
    storage_answers.set()
    link.close()
    hanging = [t for t in threading.enumerate() if t.name.startswith("bulk-")]
    for thread in hanging:
        thread.join(SOON_S)


async def test_a_lane_that_its_owner_ends_is_no_news(caplog: pytest.LogCaptureFixture) -> None:
    """Every fetch and every shutdown ends lanes so; only what really broke is logged."""
    with caplog.at_level("INFO", "syncd.wire.bulk_server"):
        async with box(SIZES) as there:
            await moves_all(there, "send")
            await there.until_open(0)
    assert caplog.messages == []


async def test_a_peer_that_opens_lanes_for_nothing_fills_no_log(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A few lines with its name, however many they are."""
    caplog.set_level("INFO", "syncd.wire.bulk_server")
    async with box() as there:
        for _ in range(40):
            link = await there.show_ticket()
            await LINES.run("garbling", link.send(b"\xff" * 64))
            assert await is_closed_by_them(link)
        await there.until_open(0)
    lines = [each.message for each in caplog.records if each.name == "syncd.wire.bulk_server"]
    assert 1 <= len(lines) <= 8, lines
    assert all(PEER.name in line for line in lines)
