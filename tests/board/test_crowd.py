"""Somebody on the box opens connections to the board and shows no token: commands get in."""

import asyncio
import gc
import logging
import sys
import time
import tracemalloc
from asyncio.sslproto import SSLProtocol
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import pytest

from syncd.board.entrance import WAITING_MAX
from syncd.board.token import NAME
from syncd.cli.client import BoardClient
from syncd.edges.private_file import replace_private
from syncd.journal.journal import Journal
from syncd.leftovers import COLLECT_EVERY
from tests.board.test_beyond import at_most, far_of
from tests.board.world import TOKEN, add_roll, board_of

ASKED = f"Host: localhost\r\nAuthorization: Bearer {TOKEN}\r\n\r\n"
ATTACK_S = 12.0
# Asked alone it takes 5 ms; while the crowd has a core, and other tests the rest, up to a second.
ANSWER_S_MAX = 4.0


@asynccontextmanager
async def crowd_at(port: int, count: int) -> AsyncIterator[asyncio.StreamReader]:
    """Have another process hold count connections to port; gives what it says it has opened."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        *("-m", "tests.board.crowd", str(port), str(count)),
        stdout=asyncio.subprocess.PIPE,
        cwd=Path(__file__).parents[2],
    )
    assert process.stdout is not None
    try:
        yield process.stdout
    finally:
        process.kill()
        await process.wait()


@pytest.mark.parametrize("count", [500, 2_000])
async def test_idle_connections_push_out_each_other_and_no_command(
    journal: Journal, caplog: pytest.LogCaptureFixture, tmp_path: Path, count: int
) -> None:
    """They are opened again as they are cut: no command waits, a stream of before goes on."""
    caplog.set_level(logging.INFO)
    add_roll(journal, "A012")
    replace_private(tmp_path / NAME, TOKEN.encode())
    took_s: list[float] = []
    async with board_of(journal, state=tmp_path) as board:
        port = board.address.port
        stream, following = await asyncio.open_connection("127.0.0.1", port)
        following.write(f"GET /api/events HTTP/1.1\r\n{ASKED}".encode())
        assert b"200" in await stream.readline()
        async with crowd_at(port, count) as said:
            while int(await said.readline()) < 2 * WAITING_MAX:
                pass
            ends_s = time.monotonic() + ATTACK_S
            while time.monotonic() < ends_s:
                since_s = time.monotonic()
                answer = await asyncio.to_thread(
                    BoardClient(board.address, tmp_path).get, "/api/rolls"
                )
                took_s.append(time.monotonic() - since_s)
                assert [roll["name"] for roll in answer["rolls"]] == ["A012"]
                await asyncio.sleep(0.05)
            door = board._entrance
            assert door is not None
            assert door.count <= WAITING_MAX + 4
        opened = int((await said.read()).split()[-1])
        assert opened > 4 * WAITING_MAX, "the crowd did not come back"
        assert max(took_s) < ANSWER_S_MAX, sorted(took_s)[-5:]
        assert board.streams.count == 1
        following.close()
        await at_most(door, 0)
        assert not door._waiting
        assert len(door._porch) == 0
    lines = [record.message for record in caplog.records if "no token" in record.message]
    assert lines == [
        "Connections to the board from this machine that show no token are cut: too many wait"
    ]


@pytest.mark.usefixtures("no_collection")
@pytest.mark.parametrize("waits", [True, False], ids=["waits", "hangs up"])
async def test_bytes_that_are_no_http_are_not_kept(journal: Journal, waits: bool) -> None:
    """Whoever may reach the port may send as many as he likes, and cycles are looked for seldom."""
    async with board_of(journal) as board:
        await _send_garbage(board.address.port, waits=waits)
        tracemalloc.start()
        before, _ = tracemalloc.get_traced_memory()
        for _ in range(GARBAGE_CONNECTIONS):
            await _send_garbage(board.address.port, waits=waits)
        entrance = board._entrance
        assert entrance is not None
        await at_most(entrance, 0)
        after, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert after - before < GARBAGE_CONNECTIONS * GARBAGE_BYTES / 4


GARBAGE_CONNECTIONS, GARBAGE_BYTES = 40, 100_000


async def _send_garbage(port: int, *, waits: bool) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(b"\xff" * GARBAGE_BYTES)
    with suppress(OSError):
        await (reader.read() if waits else writer.drain())
    writer.transport.abort()
    with suppress(OSError):
        await writer.wait_closed()


@pytest.mark.usefixtures("no_collection")
async def test_handshakes_that_fail_are_not_kept(journal: Journal, tmp_path: Path) -> None:
    """Beyond loopback anybody may begin them: what they leave is collected now and then."""
    async with far_of(journal, tmp_path) as far:
        for _ in range(2 * COLLECT_EVERY):
            await _send_garbage(far.board.address.port, waits=True)
    left = sum(isinstance(each, SSLProtocol) for each in gc.get_objects())
    assert left <= COLLECT_EVERY
