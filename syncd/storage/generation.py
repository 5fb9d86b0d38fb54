"""The next generation of a roll's history: what this box says of the files it proved.

Owns: turning proofs into what the writer of ASC MHL wants. Must not: touch the storage; the
received manifests are handed in as a function that reads one.
"""

from collections.abc import Callable, Mapping

from syncd.journal.parcels import Proof
from syncd.roll.inventory import Inventory

ReadReceived = Callable[[str], bytes]


def generation_files(
    inventory: Inventory,
    proofs: Mapping[int, Proof],
    read_received: ReadReceived,
    *,
    host_name: str,
    now_utc_ms: int,
) -> dict[str, bytes]:
    """Return the files of the next generation by path in the roll: a manifest and its chain."""
    del inventory, proofs, read_received, host_name, now_utc_ms
    return {}
