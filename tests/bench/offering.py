"""Offers the one roll of a journal to a daemon as an offload box does; says what each step cost.

    python -m tests.bench.offering JOURNAL STATE NAME PEER FINGERPRINT PORT

A process of its own, so that its memory is that of these steps; inventories.py starts it.
"""

import asyncio
import json
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from syncd import __version__
from syncd.cli.service import pace_interpreter
from syncd.edges.clock import RealClock
from syncd.errors import PeerUnreachableError
from syncd.handoff.outgoing import offer_for, pages
from syncd.journal import rolls
from syncd.journal.journal import Journal
from syncd.roll.inventory import Inventory
from syncd.roll.parcels import ParcelPlan
from syncd.wire.control_client import PeerClient
from syncd.wire.identity import Identity
from syncd.wire.messages import Hello, InventoryPage, Offer, OfferKind, pack

GREET_EVERY_S = 0.5
STEPS = ("load", "pack", "send", "take in")


class Costs:
    """Seconds by step, and by "STEP mib" the most memory beyond that of the beginning so far."""

    def __init__(self) -> None:
        self.found: dict[str, float] = {}
        self._before_mib = _status_mib("VmRSS")

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Measure one step."""
        began_s = time.monotonic()
        yield
        self.found[name] = time.monotonic() - began_s
        self.found[f"{name} mib"] = _status_mib("VmHWM") - self._before_mib


def _status_mib(key: str) -> float:
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith(key)).split()[1]) / 1024


def load(journal: Path) -> tuple[Inventory, Offer]:
    """Read the inventory and cut it, as it is done before the first offer."""
    with Journal(journal) as opened, opened.read() as db:
        (row,) = rolls.all_rolls(db)
        inventory = rolls.load_inventory(db, row.roll_id)
    return inventory, offer_for(row.roll_id, inventory, ParcelPlan(inventory), row)


async def greet(client: PeerClient, name: str, costs: Costs) -> None:
    """Greet until cancelled, as a box must to be heard; keep how long the slowest answer took."""
    costs.found |= {"greeting": 0.0, "missed": 0.0}
    while True:
        began_s = time.monotonic()
        utc_ms = time.time_ns() // 1_000_000
        try:
            await client.ask(
                Hello(node=name, roles=("offload",), version=__version__, utc_ms=utc_ms)
            )
        except PeerUnreachableError:
            costs.found["missed"] += 1
        costs.found["greeting"] = max(costs.found["greeting"], time.monotonic() - began_s)
        await asyncio.sleep(GREET_EVERY_S)


async def offer(client: PeerClient, inventory: Inventory, head: Offer, costs: Costs) -> None:
    """Offer, send all pages, and offer until it is taken."""
    answer = await client.ask(head)
    assert answer.kind is OfferKind.INVENTORY, answer
    with costs.step("send"):
        for first, page in pages(inventory.files):
            await client.ask(InventoryPage(roll_id=head.roll_id, first=first, files=page))
    with costs.step("take in"):
        answer = await client.ask(head)
        while answer.kind is OfferKind.WAIT:  # it compares with what it has, for a second at most
            answer = await client.ask(head)
    assert answer.kind is OfferKind.TAKE, answer


async def main() -> None:
    """Do what the command line says; print the costs as JSON."""
    journal, state, name, peer, fingerprint, port = sys.argv[1:]
    pace_interpreter()  # as the daemon does
    costs = Costs()
    with costs.step("load"):
        inventory, head = load(Path(journal))
    with costs.step("pack"):
        costs.found["message_bytes"] = sum(
            len(pack(InventoryPage(roll_id=head.roll_id, first=first, files=page)))
            for first, page in pages(inventory.files)
        )
    identity = Identity.load_or_make(Path(state), name, time.time_ns() // 1_000_000)
    at = [("127.0.0.1", int(port))]
    client = PeerClient(peer, lambda: at, identity, fingerprint, RealClock())
    greeting = asyncio.create_task(greet(client, name, costs), name="greeting")
    try:
        await offer(client, inventory, head, costs)
    finally:
        greeting.cancel()
        await asyncio.wait([greeting])
        await client.close()
    print(json.dumps(costs.found))


if __name__ == "__main__":
    asyncio.run(main())
