"""A conversation on a link: frames out and in, beats in silence, and the end of patience.

Owns: when a beat is due and how long silence may last. Must not: know what parcels are for.

A dead host is noticed on the control plane, or by the link; here it is the peer that lives and
hangs. One that has said that its storage does not write is waited for.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from syncd.errors import LinkLostError
from syncd.limits import DEAD_AFTER_S, GREETING_S, HEARTBEAT_S, SEND_BYTES, STALLED_AFTER_S
from syncd.ports import Clock, Link
from syncd.wire.frames import FRAME_BYTES_MAX, Conversation
from syncd.wire.greeting import read_nonce
from syncd.wire.lane_events import Beat, Bye, Event, LaneWelcome
from syncd.wire.lane_shapes import LaneStats
from syncd.wire.lane_watch import LaneState


class Talk:
    """One end of a lane; used by the lane alone. Everything raises LinkLostError."""

    def __init__(
        self,
        link: Link,
        clock: Clock,
        conversation: Conversation,
        stats: LaneStats | None,
        state: LaneState | None = None,
    ) -> None:
        self.conversation = conversation
        self.stats = stats or LaneStats()
        self.state = state or LaneState()
        self._link = link
        self._clock = clock
        self._frame = memoryview(bytearray(FRAME_BYTES_MAX))
        self._said_s = self._heard_s = clock.monotonic_s()

    async def dial(self, ticket: bytes) -> None:
        """Wait for the nonce, show the ticket and that we have its key; wait for the welcome."""
        nonce = await read_nonce(self._link, self._clock)
        await self.say(self.conversation.hello(ticket, nonce))
        ends_s = self._clock.monotonic_s() + GREETING_S
        while (left_s := ends_s - self._clock.monotonic_s()) > 0:
            if isinstance(await self.hear(left_s), LaneWelcome):
                return
        raise _lost(f"no welcome came within {GREETING_S:.0f} s")

    async def say(self, event: Event) -> None:
        """Send one frame."""
        data = self.conversation.send(event)
        await self._send(memoryview(data))
        self._said_s = self._clock.monotonic_s()
        self.stats.count(len(data))

    async def say_body(self, *parts: bytes | memoryview) -> None:
        """Send bytes of the parcel that was announced."""
        count = sum(len(part) for part in parts)
        self.conversation.body_sent(count)
        for part in parts:
            for start in range(0, len(part), SEND_BYTES):
                await self._send(memoryview(part)[start : start + SEND_BYTES])
                self.state.moved_s = self._clock.monotonic_s()
        self._said_s = self._clock.monotonic_s()
        self.stats.count(count)

    async def hear(self, timeout_s: float) -> Event | None:
        """Return the next frame; None after timeout_s, a beat, or when the link was woken.

        timeout_s 0 only looks at what has come.
        """
        while (event := self.conversation.next_event()) is None:
            wanted = self._frame[: self.conversation.wanted_bytes]
            count = await self._receive(wanted, timeout_s, patience_s=DEAD_AFTER_S)
            if count == 0:
                return None
            self.conversation.receive_bytes(wanted[:count])
        if isinstance(event, Bye):
            raise _lost(f"the peer ended it: {event.reason}")
        return None if isinstance(event, Beat) else event

    async def hear_or_beat(self) -> Event | None:
        """Wait for a frame as long as we may be silent; then beat. None: look for work."""
        left_s = self._said_s + HEARTBEAT_S - self._clock.monotonic_s()
        event = await self.hear(max(0.0, left_s))
        await self.beat_if_due()
        return event

    async def beat_if_due(self) -> None:
        """Say that we are here, if nothing was said for a while."""
        if self._clock.monotonic_s() - self._said_s >= HEARTBEAT_S:
            await self.say(Beat())

    async def hear_body(self, view: memoryview) -> None:
        """Fill view from the parcel that was announced."""
        have = self.conversation.take_body(view)
        while have < len(view):
            # In mid-parcel the giver cannot beat; its card may be retrying a bad block.
            count = await self._receive(view[have:], HEARTBEAT_S, patience_s=STALLED_AFTER_S)
            self.conversation.body_received(count)
            have += count
            await self.beat_if_due()

    @contextmanager
    def storing(self) -> Iterator[None]:
        """Say that the lane waits for our own storage meanwhile."""
        self.state.storage_since_s = self._clock.monotonic_s()
        try:
            yield
        finally:
            self.state.storage_since_s = None

    async def _send(self, data: memoryview) -> None:
        """Hand data to the link, and say how long that takes the peer."""
        self.state.send_since_s = self._clock.monotonic_s()
        try:
            await self._link.send(data)
        finally:
            self.state.send_since_s = None

    async def _receive(self, view: memoryview, timeout_s: float, *, patience_s: float) -> int:
        assert len(view), "an empty view would wait for ever"
        count = await self._link.receive_into(view, timeout_s)
        now_s = self._clock.monotonic_s()
        if count:
            self._heard_s = self.state.moved_s = now_s
        elif (
            now_s - max(self._heard_s, self.state.excused_s) > patience_s
            and not self.state.excused()
        ):
            raise _lost(f"nothing was heard for {patience_s:.0f} s")
        return count


def _lost(why: str) -> LinkLostError:
    return LinkLostError(f"A lane broke: {why}.", remedy="It is opened again.")
