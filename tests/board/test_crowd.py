"""Somebody on the box opens connections to the board and shows no token: commands get in."""

import asyncio
import logging
from contextlib import suppress

import pytest

from syncd.board.entrance import HERE_MAX, WAITING_MAX
from syncd.journal.journal import Journal
from tests.board.test_beyond import at_most
from tests.board.world import TOKEN, board_of

ASKED = f"Host: localhost\r\nAuthorization: Bearer {TOKEN}\r\n\r\n"


async def test_idle_connections_push_out_each_other_and_nobody_with_a_token(
    journal: Journal, caplog: pytest.LogCaptureFixture
) -> None:
    """A stream of before goes on, a command is answered, and the log has a line."""
    caplog.set_level(logging.INFO)
    async with board_of(journal) as board:
        port = board.address.port
        stream, following = await asyncio.open_connection("127.0.0.1", port)
        following.write(f"GET /api/events HTTP/1.1\r\n{ASKED}".encode())
        assert b"200" in await stream.readline()
        crowd = [await asyncio.open_connection("127.0.0.1", port) for _ in range(2 * HERE_MAX)]
        for _ in range(3):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(f"GET /api/rolls HTTP/1.1\r\n{ASKED}".encode())
            async with asyncio.timeout(20):
                assert await reader.readline() == b"HTTP/1.1 200 OK\r\n"
            writer.close()
        assert board.streams.count == 1
        door = board._entrance
        assert door is not None
        assert door.count <= WAITING_MAX + 4
        following.close()
        for _, writer in crowd:
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()
        await at_most(door, 0)
        assert not door._waiting
        assert len(door._porch) == 0
    lines = [record.message for record in caplog.records if "no token" in record.message]
    assert lines == [
        "Connections to the board from this machine that show no token are cut: too many wait"
    ]
