"""What the hand-off's progress looks like in the journal: bytes moved, expected times.

Owns: how often that is written (twice a second at most). Must not: decide the order.
"""

from syncd.journal import rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin
from syncd.ports import Ports
from syncd.schedule.feed import Feed
from syncd.schedule.forecast import Rate, Waiting, forecast

WRITE_EVERY_S = 0.5


class Progress:
    """Writes moved bytes and expected landing times of the rolls in a feed."""

    def __init__(self, feed: Feed, journal: Journal, ports: Ports) -> None:
        self._feed = feed
        self._journal = journal
        self._ports = ports
        self._rate = Rate()
        self._written_at_s = float("-inf")
        self._moved: dict[str, int] = {}

    async def write(self) -> None:
        """Write what changed since the last call, unless that was just now."""
        now_s = self._ports.clock.monotonic_s()
        if now_s - self._written_at_s < WRITE_EVERY_S:
            return
        moved = {roll_id: self._feed.moved_bytes(roll_id) for roll_id in self._feed.active()}
        changed = {
            roll_id: count for roll_id, count in moved.items() if self._moved.get(roll_id) != count
        }
        if not changed:
            return
        self._rate.add(self._feed.total_moved_bytes(), now_s)
        self._written_at_s = now_s
        self._moved = moved
        await self._ports.disk.aside(self._write, changed)

    def _write(self, changed: dict[str, int]) -> None:
        now = self._ports.clock.utc_ms()
        with self._journal.write() as db:
            for roll_id, count in changed.items():
                rolls.set_moved(db, roll_id, count)
            waiting = [
                Waiting(row.roll_id, row.total_bytes - row.moved_bytes, row.needed_by_utc_ms)
                for row in rolls.unfinished(db, Origin.LANDING)
            ]
            expected = forecast(waiting, self._rate.bytes_per_s, now)
            rolls.set_expected(db, {r: e.at_utc_ms for r, e in expected.items()})
