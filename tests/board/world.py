"""A real journal with a few rolls of "Salt Meridian", and a facade over it that has no peers."""

import zlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from syncd.board.access import Access
from syncd.board.answers import JournalAnswers
from syncd.board.facade import Sample
from syncd.board.server import BoardServer
from syncd.config.shapes import DestinationConfig
from syncd.config.values import HostPort
from syncd.edges.clock import RealClock
from syncd.edges.disk import RealDisk
from syncd.errors import NotPossibleError, PeerUnreachableError
from syncd.journal import rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.stages import HeldCode, Stage

DAY = "2026-03-14_D12"
NOON = 1_773_489_600_000  # 2026-03-14T12:00:00Z
LOOPBACK = HostPort("127.0.0.1", 0)
TOKEN = "Zm9y-YSBib2FyZCBvZiBTYWx0IE1lcmlkaWFuX1MwMQ"  # noqa: S105 - of this test's board
SHOWN = {"Authorization": f"Bearer {TOKEN}"}


def add_roll(journal: Journal, name: str, *, day: str = DAY, size: int = 1_000, **more: Any) -> str:
    """Journal a verified roll of two files and return its id."""
    # Two rolls of one content would be one roll: their media differ by their times.
    mtime_ns = zlib.crc32(f"{day}/{name}".encode())
    files = (FileEntry("a.mov", size, mtime_ns), FileEntry("b.mov", 24, mtime_ns))
    inventory = Inventory(day, name, files)
    with journal.write() as db:
        rolls.add_roll(
            db,
            inventory,
            **{"origin": Origin.LANDING, "peer": "process-1", "stage": Stage.VERIFIED} | more,
            now_utc_ms=NOON,
        )
    return inventory.roll_id


def hold(journal: Journal, roll_id: str, code: HeldCode = HeldCode.EVIDENCE_MISMATCH) -> None:
    """Hold a roll for a file that does not match."""
    with journal.write() as db:
        text = "xxh64 is another"
        rolls.hold(db, roll_id, code, text, "a\x1b[31m.mov", now_utc_ms=NOON)


class SmallNode(JournalAnswers):
    """A node with a journal, one destination and an unreachable peer."""

    def __init__(self, journal: Journal) -> None:
        destination = DestinationConfig(name="shared", peer="process-1")
        self.real_disk = RealDisk()
        super().__init__(
            journal, clock=RealClock(), disk=self.real_disk, destinations=[destination]
        )
        self._own_journal = journal
        self.asked: list[tuple[str, str]] = []

    async def peers(self) -> dict[str, Any]:
        own = {"name": "offload-1", "fingerprint": "sha256:00", "addresses": ["10.0.0.1:8840"]}
        peer = {
            "name": "process-1",
            "fingerprint": "sha256:" + "11" * 32,
            "roles": ["processing"],
            "trusted": True,
            "present": False,
            "address": None,
            "last_heard_at": None,
        }
        return {"own": own, "peers": [peer]}

    async def show_code(self) -> dict[str, Any]:
        return {"id": 1, "state": "open", "code": "482 913"}

    async def code_shown(self, number: int, wait_s: float) -> dict[str, Any]:
        return {"id": number, "state": "open", "waited": wait_s}

    async def hide_code(self, number: int) -> dict[str, Any]:
        return {"id": number, "state": "closed"}

    async def type_code(self, code: str, with_: str) -> dict[str, Any]:
        self.asked.append((code, with_))
        return {"peer": {"name": "process-1", "fingerprint": "sha256:11", "roles": []}}

    async def forget_peer(self, text: str) -> dict[str, Any]:
        if text != "process-1":
            raise NotPossibleError(f"No paired box is called {text!r}.", remedy="syncd peers")
        self.asked.append(("forget", text))
        return {"name": text, "fingerprint": "sha256:" + "11" * 32}

    async def measure(self, seconds: float, total_bytes: int) -> dict[str, Any]:
        self.asked.append(("measure", f"{seconds:g} s, {total_bytes} bytes"))
        return {"id": 1, "state": "measuring"}

    async def measured(self, number: int, wait_s: float) -> dict[str, Any]:
        return {"id": number, "state": "done", "waited": wait_s}

    async def measure_no_more(self, number: int) -> dict[str, Any]:
        return {"id": number, "state": "failed"}

    async def fetch(self, text: str, to: str) -> dict[str, Any]:
        if text == "B007":
            raise PeerUnreachableError("process-1 is away.", remedy="Wait for it.")
        self.asked.append((text, to))
        add_roll(self._own_journal, text, origin=Origin.FETCH, stage=Stage.MOVING, route=to)
        return (await self.fetches())[-1]

    async def status(self) -> dict[str, Any]:
        paused = await self.is_paused()
        return {"node": "offload-1", "roles": ["offload"], "paused": paused, "checks": []}

    async def metrics(self) -> list[Sample]:
        return await self.roll_metrics()


@asynccontextmanager
async def board_of(
    journal: Journal, *, heartbeat_s: float = 15.0, access: Access | None = None, **more: Any
) -> AsyncIterator[BoardServer]:
    """Serve a small node over journal on a free port. more: names and pem of the server."""
    node = SmallNode(journal)
    access = access or Access(TOKEN)
    try:
        async with BoardServer(
            node, LOOPBACK, access, RealClock(), heartbeat_s=heartbeat_s, **more
        ) as server:
            yield server
    finally:
        node.close()
        node.real_disk.close()
