"""Real sockets on loopback: bytes, waking, closing from another thread, lanes in threads."""

import asyncio
import socket
import threading
import time
from collections.abc import Callable, Coroutine, Iterator
from typing import Any

import pytest

from syncd.edges.tcp import TcpLink, connect, listen
from syncd.edges.threads import ThreadLines, drive
from syncd.errors import ConfigError, LinkLostError

SOON_S = 5.0


def now(call: Coroutine[Any, Any, Any]) -> Any:
    """Run one call of a link here: it blocks and never suspends."""
    try:
        call.send(None)
    except StopIteration as end:
        return end.value
    raise AssertionError("a link's call suspended")


@pytest.fixture
def ends() -> Iterator[tuple[TcpLink, TcpLink]]:
    """Give two connected links."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        near = TcpLink(socket.create_connection(server.getsockname()))
        accepted, _ = server.accept()
    far = TcpLink(accepted)
    yield near, far
    near.close()
    far.close()


def in_thread(work: Callable[[], None]) -> threading.Thread:
    """Start work beside the test."""
    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    return thread


def receive_all(link: TcpLink, count: int) -> bytes:
    """Receive exactly count bytes."""
    data, have = bytearray(count), 0
    while have < count:
        have += now(link.receive_into(memoryview(data)[have:], SOON_S))
    return bytes(data)


def test_all_parts_of_a_large_send_arrive_in_order(ends: tuple[TcpLink, TcpLink]) -> None:
    """Far more than the system takes at once, in parts of odd sizes, one of them empty."""
    near, far = ends
    parts = [bytes([n]) * (n * 700_001) for n in range(8)]
    sending = in_thread(lambda: now(near.send(*parts)))
    assert receive_all(far, sum(map(len, parts))) == b"".join(parts)
    sending.join(SOON_S)
    assert not sending.is_alive()


def test_a_timeout_of_nothing_only_looks(ends: tuple[TcpLink, TcpLink]) -> None:
    """0 bytes when there are none, and what is there when there is something."""
    near, far = ends
    view = memoryview(bytearray(10))
    assert now(far.receive_into(view, 0)) == 0
    now(near.send(b"abc"))
    assert now(far.receive_into(view, SOON_S)) == 3
    assert now(far.receive_into(view, 0)) == 0


def test_waiting_ends_after_the_timeout(ends: tuple[TcpLink, TcpLink]) -> None:
    """And not before."""
    began_s = time.monotonic()
    assert now(ends[1].receive_into(memoryview(bytearray(1)), 0.05)) == 0
    assert time.monotonic() - began_s >= 0.049


def test_wake_ends_the_waiting_from_another_thread(ends: tuple[TcpLink, TcpLink]) -> None:
    """A lane that waits for its peer looks for orders at once; one wake is one look."""
    _, far = ends
    view = memoryview(bytearray(1))
    far.wake()  # before the wait: it is not lost
    assert now(far.receive_into(view, SOON_S)) == 0
    timer = threading.Timer(0.05, far.wake)
    timer.start()
    began_s = time.monotonic()
    assert now(far.receive_into(view, SOON_S)) == 0
    timer.join()
    assert time.monotonic() - began_s < SOON_S / 2
    assert now(far.receive_into(view, 0.01)) == 0


def test_many_wakes_do_no_harm(ends: tuple[TcpLink, TcpLink]) -> None:
    """Not even more of them than the bell holds, nor after the end."""
    near, far = ends
    for _ in range(100_000):
        far.wake()
    now(near.send(b"x"))
    while not now(far.receive_into(memoryview(bytearray(1)), SOON_S)):
        pass
    far.close()
    far.wake()


def test_the_other_side_closing_is_a_loss(ends: tuple[TcpLink, TcpLink]) -> None:
    """What came before it is still received; the plain end of a stream is never a good end."""
    near, far = ends
    now(near.send(b"last"))
    near.close()
    assert receive_all(far, 4) == b"last"
    with pytest.raises(LinkLostError, match="closed by the other side"):
        now(far.receive_into(memoryview(bytearray(1)), SOON_S))


def test_close_from_another_thread_ends_a_blocked_receive(ends: tuple[TcpLink, TcpLink]) -> None:
    """The lane's thread sees a loss, not a wrong descriptor."""
    _, far = ends
    timer = threading.Timer(0.05, far.close)
    timer.start()
    with pytest.raises(LinkLostError):
        now(far.receive_into(memoryview(bytearray(1)), 60))
    timer.join()


def test_close_from_another_thread_ends_a_blocked_send(ends: tuple[TcpLink, TcpLink]) -> None:
    """A peer that takes nothing cannot hold a stopping daemon."""
    near, _ = ends
    timer = threading.Timer(0.1, near.close)
    timer.start()
    with pytest.raises(LinkLostError):
        now(near.send(bytes(64 << 20)))
    timer.join()


def test_a_closed_link_stays_closed(ends: tuple[TcpLink, TcpLink]) -> None:
    """Twice is fine, and its descriptors are given back."""
    near, _ = ends
    near.close()
    near.close()
    assert near._socket.fileno() == -1
    for call in (near.send(b"x"), near.receive_into(memoryview(bytearray(1)), 0)):
        with pytest.raises(LinkLostError, match="it was closed"):
            now(call)


def test_a_link_notices_dead_hosts_soon(ends: tuple[TcpLink, TcpLink]) -> None:
    """The options that a pulled cable is noticed by are set at both ends."""
    for link in ends:
        get = link._socket.getsockopt
        assert get(socket.IPPROTO_TCP, socket.TCP_NODELAY)
        assert get(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            assert get(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == 0, "a slow disk is no death"
            assert get(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE) == 2


async def test_nobody_listening_is_a_lost_link_that_names_the_address() -> None:
    """The port is in the message, and firewalls in the remedy."""
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        port = bound.getsockname()[1]
        with pytest.raises(LinkLostError, match=f"127.0.0.1:{port}"):
            await connect("127.0.0.1", port)


def test_a_busy_port_is_named_with_the_key_to_change() -> None:
    """The message names the address, the remedy the option."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        with pytest.raises(ConfigError, match=f"127.0.0.1:{port}") as caught:
            listen("127.0.0.1", port)
    assert "node.bulk" in caught.value.remedy


def test_an_address_of_another_box_is_named_with_the_key_to_change() -> None:
    """192.0.2.1 is nobody's (RFC 5737)."""
    with pytest.raises(ConfigError, match=r"192\.0\.2\.1:8841") as caught:
        listen("192.0.2.1", 8841)
    assert "node.bulk" in caught.value.remedy


# Lanes in threads


async def test_a_lane_runs_in_a_thread_of_its_own_name() -> None:
    """And the loop goes on meanwhile."""
    seen: list[str] = []
    may_end = threading.Event()

    async def lane() -> None:
        seen.append(threading.current_thread().name)
        may_end.wait(SOON_S)

    running = asyncio.ensure_future(ThreadLines().run("send-lane-0", lane()))
    await asyncio.sleep(0.02)
    assert not running.done()
    may_end.set()
    await running
    assert seen == ["send-lane-0"]


async def test_what_a_lane_raises_is_raised_where_it_is_awaited() -> None:
    """With its own traceback."""

    async def lane() -> None:
        raise LinkLostError("It broke.", remedy="It is opened again.")

    with pytest.raises(LinkLostError, match="It broke"):
        await ThreadLines().run("lane", lane())


async def test_a_lane_that_suspends_is_a_mistake_of_ours() -> None:
    """In a thread there is no loop that would ever wake it."""
    with pytest.raises(AssertionError, match="nowhere else"):
        await ThreadLines().run("lane", asyncio.sleep(0))
    with pytest.raises(AssertionError):
        drive(asyncio.sleep(0))


async def test_a_lane_outlives_whoever_waits_for_it() -> None:
    """Cancelling the wait stops no thread; closing the link does."""
    may_end, has_ended = threading.Event(), threading.Event()

    async def lane() -> None:
        may_end.wait(SOON_S)
        has_ended.set()

    running = asyncio.ensure_future(ThreadLines().run("lane", lane()))
    await asyncio.sleep(0.01)
    running.cancel()
    await asyncio.wait({running})
    assert not has_ended.is_set()
    may_end.set()
    assert has_ended.wait(SOON_S)


async def test_a_listener_hands_out_what_dials_it() -> None:
    """Dialled and accepted on the loop, used in a lane's thread."""
    listener = listen("127.0.0.1", 0)
    lines = ThreadLines()

    link = await lines.dial("127.0.0.1", listener.port)

    async def lane() -> None:
        await link.send(b"hello")
        link.close()

    running = asyncio.ensure_future(lines.run("lane", lane()))
    accepted = (await listener.accept()).link()
    await running
    assert receive_all(accepted, 5) == b"hello"
    accepted.close()
    listener.close()
