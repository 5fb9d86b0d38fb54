"""The event stream: server-sent events, from any number that is still kept, until shutdown.

Owns: Last-Event-ID, the heartbeat, and ending streams. Must not: keep events; it reads pages of
the journal behind each reader, so a slow reader costs one page of memory, and one that stops
reading is dropped.

Format: WHATWG HTML, "Server-sent events". `event: reset` says that what came after the given
number is no longer kept (or was never there): read the rolls anew, then go on from its id. The
first block has no data, so no event; its id says after which one the stream begins.
"""

import asyncio
import json
from collections.abc import Mapping
from typing import Any

from aiohttp import web

from syncd.board.access import Access
from syncd.board.facade import NodeFacade
from syncd.errors import SyncdError, UsageError

HEARTBEAT_S = 15.0
WRITE_TIMEOUT_S = 10.0  # a reader that takes nothing for so long is gone
PAGE_EVENTS = 200
STREAMS_MAX = 64
RETRY_MS = 1000
_SEQ_DIGITS_MAX = 19  # those of the journal's largest


class TooManyStreamsError(SyncdError):
    """Another stream would be one too many."""

    http_status = 503


class EventStreams:
    """All open streams of one board."""

    def __init__(
        self, facade: NodeFacade, access: Access, *, heartbeat_s: float = HEARTBEAT_S
    ) -> None:
        self._facade = facade
        self._access = access
        self._heartbeat_s = heartbeat_s
        self._ending = False
        self._waits: set[asyncio.Task[None]] = set()
        self.count = 0

    def end(self) -> None:
        """End every stream, and each that comes later, after what it is writing now."""
        self._ending = True
        for wait in self._waits:
            wait.cancel()

    async def handle(self, request: web.Request) -> web.StreamResponse:
        """Answer GET /api/events: a stream that begins after Last-Event-ID, else now."""
        if self.count >= STREAMS_MAX:
            raise TooManyStreamsError(
                f"{STREAMS_MAX} event streams are open.", remedy="Close one of them."
            )
        seq, is_reset = await self._start(request)
        response = web.StreamResponse(
            headers={
                "Content-Type": "text/event-stream; charset=utf-8",
            }
        )
        self.count += 1
        try:
            await response.prepare(request)
            # The id goes ahead: whoever loses the stream before its first event loses none.
            first = f"id: {seq}\nretry: {RETRY_MS}\n\n"
            await _write(response, first + (reset_text(seq) if is_reset else ""))
            await self._follow(request, response, seq)
        except (ConnectionError, TimeoutError):
            if request.transport is not None:
                request.transport.abort()  # whatever is still buffered is for nobody
        finally:
            self.count -= 1
        return response

    async def _start(self, request: web.Request) -> tuple[int, bool]:
        """Return after which event to begin, and whether the reader has missed some."""
        last = await self._facade.last_seq()
        asked = request.headers.get("Last-Event-ID") or request.query.get("after")
        if not asked:
            return last, False
        if not (asked.isascii() and asked.isdigit() and len(asked) <= _SEQ_DIGITS_MAX):
            raise UsageError(
                f"{asked[:80]!r} is no event's number.", remedy="Send an id that the stream gave."
            )
        seq = int(asked)
        if seq > last or seq < await self._facade.oldest_seq() - 1:
            return last, True
        return seq, False

    async def _follow(self, request: web.Request, response: web.StreamResponse, seq: int) -> None:
        # A session may end while its stream is open: the next page, or heartbeat, is not for it.
        while not self._ending and self._access.allows(request):
            events = await self._facade.events_after(seq, PAGE_EVENTS)
            if events and events[0]["seq"] > seq + 1 and await self._has_forgotten(seq):
                seq = await self._facade.last_seq()
                await _write(response, reset_text(seq))
                continue
            if events:
                await _write(response, "".join(map(event_text, events)))
                seq = events[-1]["seq"]
                continue
            await self._wait(seq)
            if (
                not self._ending
                and self._access.allows(request)
                and await self._facade.last_seq() <= seq
            ):
                await _write(response, ": still here\n\n")

    async def _has_forgotten(self, seq: int) -> bool:
        """Tell whether events after seq were dropped while a slow reader was on its way."""
        return seq < await self._facade.oldest_seq() - 1

    async def _wait(self, seq: int) -> None:
        if self._ending:
            return  # end() came while the journal was read, when there was no wait to cancel
        wait = asyncio.create_task(
            self._facade.wait_for_events(seq, self._heartbeat_s), name="board-stream-wait"
        )
        self._waits.add(wait)
        try:
            await wait
        except asyncio.CancelledError:
            if not self._ending:
                raise
        finally:
            wait.cancel()
            self._waits.discard(wait)


def event_text(event: Mapping[str, Any]) -> str:
    """Return one event as a block of the stream; its JSON has no line end, so one line holds it."""
    data = json.dumps(event, separators=(",", ":"))
    return f"id: {event['seq']}\nevent: {event['type']}\ndata: {data}\n\n"


def reset_text(seq: int) -> str:
    """Return the block that says: read everything anew, this stream goes on after seq."""
    return f'id: {seq}\nevent: reset\ndata: {{"seq":{seq}}}\n\n'


async def _write(response: web.StreamResponse, text: str) -> None:
    async with asyncio.timeout(WRITE_TIMEOUT_S):
        await response.write(text.encode())
