"""What is no HTTP request: the board answers it in its own words, and logs a line at most."""

import asyncio
import json

import pytest

from syncd.journal.journal import Journal
from tests.board.world import TOKEN, board_of
from tests.strange_requests import UNREAD, answer_to, check_discreet


@pytest.mark.parametrize("name", UNREAD)
async def test_what_is_not_read_is_answered_in_our_words(
    journal: Journal, name: str, caplog: pytest.LogCaptureFixture
) -> None:
    """No version of the server, none of the parser's words, no traceback."""
    async with board_of(journal) as board:
        head, body = await answer_to(UNREAD[name], board.address.port)

    check_discreet(head, body, caplog)
    assert head.split()[1] == b"400"
    assert json.loads(body)["error"]["problem"].startswith("This is no HTTP request")
    assert caplog.messages == ["127.0.0.1 sent what cannot be read as HTTP; it was refused"]


async def test_who_leaves_in_the_middle_of_a_body_is_no_failure_of_ours(
    journal: Journal, caplog: pytest.LogCaptureFixture
) -> None:
    """There is nobody to answer, and nothing for the log."""
    async with board_of(journal) as board:
        reader, writer = await asyncio.open_connection("127.0.0.1", board.address.port)
        writer.write(
            b"POST /api/pause HTTP/1.1\r\nHost: 127.0.0.1\r\nExpect: 100-continue\r\n"
            b"Content-Type: application/json\r\nContent-Length: 10\r\n"
            b"Authorization: Bearer %s\r\n\r\n{" % TOKEN.encode()
        )
        assert (await reader.readuntil(b"\r\n\r\n")).startswith(b"HTTP/1.1 100 ")
        writer.close()
    # Closing the board has waited for what was under way.
    assert caplog.messages == []


async def test_a_flood_of_what_is_not_read_fills_no_log(
    journal: Journal, caplog: pytest.LogCaptureFixture
) -> None:
    """It is said once, then now and then."""
    async with board_of(journal) as board:
        for _ in range(20):
            await answer_to(UNREAD["bad-header"], board.address.port)
    assert len(caplog.messages) == 1
