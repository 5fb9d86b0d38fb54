"""The event stream, read over a real socket, checked against WHATWG HTML "Server-sent events"."""

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Any

import aiohttp
import pytest

from syncd.journal import notices
from syncd.journal.journal import Journal
from tests.board.world import NOON, SHOWN, add_roll, board_of


@pytest.fixture
async def session() -> AsyncIterator[aiohttp.ClientSession]:
    """Give a client."""
    async with aiohttp.ClientSession(headers=SHOWN) as session:
        yield session


def say(journal: Journal, count: int = 1) -> None:
    """Let things happen, none of them about a roll."""
    with journal.write() as db:
        for _ in range(count):
            notices.add(db, None, "note", now_utc_ms=NOON, note="line\nend")


async def block(reply: aiohttp.ClientResponse) -> dict[str, str]:
    """Return the fields of the next block that has data, or is a comment (":")."""
    fields: dict[str, str] = {}
    async for raw in reply.content:
        line = raw.decode().rstrip("\n")
        if line:
            name, _, value = line.partition(":")
            fields[name or ":"] = value.removeprefix(" ")
        elif fields.keys() & {"data", ":"}:
            return fields
        else:
            fields = {}
    raise EOFError


async def test_events_come_as_they_happen(journal: Journal, session: aiohttp.ClientSession) -> None:
    """Id is the event's number, event its type, and data its JSON on one line."""
    say(journal)
    async with (
        board_of(journal) as board,
        session.get(f"http://{board.address}/api/events") as reply,
    ):
        assert reply.headers["Content-Type"].startswith("text/event-stream")
        await reply.content.readline()  # the stream stands: what follows is seen
        roll_id = add_roll(journal, "A012")

        found = await block(reply)

    assert (found["id"], found["event"]) == ("2", "verified")
    data: dict[str, Any] = json.loads(found["data"])
    assert data["roll"]["id"] == roll_id
    assert data["at"] == "2026-03-14T12:00:00.000Z"


async def test_a_reader_that_comes_back_misses_nothing(
    journal: Journal, session: aiohttp.ClientSession
) -> None:
    """Last-Event-ID brings everything since, over more than one page of the journal."""
    say(journal, 450)
    async with board_of(journal) as board:
        url = f"http://{board.address}/api/events"
        async with session.get(url, headers={"Last-Event-ID": "3"}) as reply:
            seen = [int((await block(reply))["id"]) for _ in range(447)]
    assert seen == list(range(4, 451))


@pytest.mark.parametrize("last", ["5", "999"])
async def test_a_reader_from_too_long_ago_is_told_to_begin_anew(
    journal: Journal, session: aiohttp.ClientSession, last: str
) -> None:
    """Also one that was reading another journal, whose numbers were higher."""
    say(journal, 30)
    with journal.write() as db:
        notices.prune(db, 10)
    async with board_of(journal) as board:
        url = f"http://{board.address}/api/events"
        async with session.get(url, headers={"Last-Event-ID": last}) as reply:
            assert await block(reply) == {"id": "30", "event": "reset", "data": '{"seq":30}'}
            say(journal)
            assert (await block(reply))["id"] == "31"


async def test_the_oldest_event_that_is_kept_can_still_be_had(
    journal: Journal, session: aiohttp.ClientSession
) -> None:
    """The edge: the reader has seen exactly the one before."""
    say(journal, 30)
    with journal.write() as db:
        notices.prune(db, 10)
    async with (
        board_of(journal) as board,
        session.get(f"http://{board.address}/api/events?after=20") as reply,
    ):
        assert (await block(reply))["id"] == "21"


async def test_a_silent_stream_has_a_heartbeat(
    journal: Journal, session: aiohttp.ClientSession
) -> None:
    """A comment line, which tells both ends that the other is there."""
    async with (
        board_of(journal, heartbeat_s=0.05) as board,
        session.get(f"http://{board.address}/api/events") as reply,
    ):
        assert ":" in await block(reply)


async def test_shutdown_ends_every_stream_at_once(
    journal: Journal, session: aiohttp.ClientSession
) -> None:
    """A reader sees a proper end of the answer, and the daemon does not wait for it."""
    async with (
        board_of(journal) as board,
        session.get(f"http://{board.address}/api/events") as reply,
    ):
        await reply.content.readline()
        async with asyncio.timeout(1.5):
            await board.close()
            with pytest.raises(EOFError):
                await block(reply)
    assert board.streams.count == 0


async def test_a_number_that_is_none_is_refused(
    journal: Journal, session: aiohttp.ClientSession
) -> None:
    """Not taken for zero, which would replay the whole day."""
    async with board_of(journal) as board:
        for asked in ("-1", "x", "9" * 30):
            headers = {"Last-Event-ID": asked}
            async with session.get(f"http://{board.address}/api/events", headers=headers) as reply:
                assert reply.status == 400
